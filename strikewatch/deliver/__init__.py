"""Alerts leave the house: log, webhook, and the courier that drains the outbox."""
