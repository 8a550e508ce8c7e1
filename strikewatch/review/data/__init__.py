"""The tables that a review is made of, from the database or from recordings."""
