"""The HTTP operations: one file for each group of routes, with schemas and problem responses."""
