"""Inputs of commands and the page: data from the database or from recorded shifts."""
