"""The tables, and the version of them that a database holds."""
