"""Queries: what the page, the API and the commands read from the database."""
