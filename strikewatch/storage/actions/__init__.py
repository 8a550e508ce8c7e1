"""What people do: alerts, entries, tokens, sessions."""
