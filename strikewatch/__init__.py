"""Strikewatch watches hydraulic breakers at work."""
