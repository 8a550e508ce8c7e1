"""Export and erasure of an operator's data."""
