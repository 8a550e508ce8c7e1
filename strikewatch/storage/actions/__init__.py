"""Actions of people: on alerts and hammers, logged events, tokens and sessions."""
