"""What is to be sent: notifications, digests, and what became of each message."""
