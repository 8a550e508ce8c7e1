"""Fleets with known true rates, to see how often a review is right about them."""
