"""The statistics of a review, one method a file, over numpy arrays."""
