"""The language every room speaks: channels, batches, events, findings, alerts. No I/O, no clock."""
