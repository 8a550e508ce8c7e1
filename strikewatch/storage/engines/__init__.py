"""The databases: SQLite, PostgreSQL, and the disk below."""
