"""Write admitted rows as recorded shifts."""

import os

# Arrow's own allocator keeps what a recording needed; that of the C library returns it. Read at Arrow's first import.
os.environ.setdefault("ARROW_DEFAULT_MEMORY_POOL", "system")
