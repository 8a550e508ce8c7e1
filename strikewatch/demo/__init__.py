"""The invented site, on one machine."""
