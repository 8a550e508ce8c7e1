"""The one transaction of a step."""
