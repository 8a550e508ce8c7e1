"""Recorded shifts and logger files: open, convert, replay, and try other settings."""
