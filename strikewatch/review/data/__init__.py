"""The tables that a review is computed from, read from the database or from recordings."""
