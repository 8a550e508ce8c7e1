"""Arrivals become rows and events: decode (one file a format), admit, mqtt, shift."""
