"""Live and replay: they own clocks, threads and I/O, and wire the rooms."""
