"""How a database of an earlier release becomes one of this: `versions/`, run by alembic through `env.py`."""
