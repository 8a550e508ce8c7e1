"""The highlights of a review, with the samples around them."""
