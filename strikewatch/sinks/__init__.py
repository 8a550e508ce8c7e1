"""Alerts leave: log, webhook, MQTT, heartbeat, and the dispatcher that drains the outbox."""
