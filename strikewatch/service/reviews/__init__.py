"""Reviews: their data and pictures from the database or recorded shifts, and the process that makes them."""
