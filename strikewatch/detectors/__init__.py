"""What counts as a fault: one file each, over signals that are derived once."""
