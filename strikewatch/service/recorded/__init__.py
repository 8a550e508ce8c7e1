"""Recorded shifts and logger files: open, convert, replay, try other settings, catch up after a restore."""
