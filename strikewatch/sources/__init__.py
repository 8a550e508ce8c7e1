"""Arrivals become rows and events: decode (one file a format), ordering, MQTT, recordings."""
