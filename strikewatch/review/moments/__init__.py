"""The moments to show, with the samples around them."""
