"""Tables and messages for the terminal."""
