"""Send alerts: log, webhooks, MQTT and heartbeat, and the dispatcher that empties the outbox."""
