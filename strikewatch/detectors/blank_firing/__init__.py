"""Suspected blank firing: windows, baseline, change detection and score."""
