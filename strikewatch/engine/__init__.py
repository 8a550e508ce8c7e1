"""One pure step from rows to findings, and from findings to alerts."""
