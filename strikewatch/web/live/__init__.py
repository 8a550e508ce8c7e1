"""What the page shows now, handed over by the worker and streamed to browsers."""
