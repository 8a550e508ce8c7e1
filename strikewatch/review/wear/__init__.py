"""Wear of bushings and tools, and advice on the tool for the work."""
