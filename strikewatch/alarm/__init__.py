"""Findings become alerts: priorities, whose fault, what to say."""
