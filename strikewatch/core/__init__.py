"""The shared language of every package: instants, channels, batches, events, findings, alerts. No I/O."""
