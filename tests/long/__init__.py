"""Long forms of the tests, one command each; their short forms run in CI."""
