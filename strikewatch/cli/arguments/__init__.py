"""The arguments of each group of commands."""
