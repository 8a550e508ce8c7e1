"""What must survive: schema, the one transaction of a step, outbox, recordings."""
