"""The HTTP interface and the site manager's page."""
