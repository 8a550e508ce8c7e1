"""What the page shows now, received from the worker and streamed to browsers."""
