"""What the site manager sees in a browser: the sheets, their words, and how numbers are written for whoever reads."""
