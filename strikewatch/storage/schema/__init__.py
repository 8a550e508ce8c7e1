"""The tables, and the schema version of a database."""
