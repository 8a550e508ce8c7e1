"""Write admitted rows as recorded shifts."""
