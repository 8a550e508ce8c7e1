"""The typed tree of settings, and how it is read."""
