"""Where commands and the page get their data from: the database, or recorded shifts."""
