"""The trainer's review: exposure, rates, highlights, wear, and the report."""
