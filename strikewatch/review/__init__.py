"""The trainer's side: exposure, rates, moments to show, and the report."""
