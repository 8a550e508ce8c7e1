"""The running processor: threads, clocks and I/O around the engine."""
