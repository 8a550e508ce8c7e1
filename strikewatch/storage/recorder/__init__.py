"""Admitted rows become recorded shifts."""
