"""Wear of bushings and tools, and which tool suits the work."""
