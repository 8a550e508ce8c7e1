"""Attacks on a running processor: what each costs the other hammers, and what is reported about it."""
