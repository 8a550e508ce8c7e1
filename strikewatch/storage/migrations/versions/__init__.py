"""One file a change of the tables, numbered; each names the one before it."""
