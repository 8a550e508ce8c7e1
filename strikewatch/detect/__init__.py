"""What counts as a fault: one file each, over a shared reading of what is known at each instant."""
