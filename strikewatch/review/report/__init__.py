"""The report of a review: what it says, as HTML, PDF, CSV and JSON."""
