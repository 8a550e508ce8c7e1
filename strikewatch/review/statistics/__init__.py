"""The statistics of a review, over numpy arrays.

Each has its published example and a reference library in `tests/outside/test_rates.py`, and properties for any counts
in `tests/review/test_statistics.py`. `python -m tests.long.fleets [--reviews 200] [--only Nobody]` shows how often a
whole review is right, on fleets with known rates. Exact limits of few counts hold more than 95 %.

Three decisions:

- Whether an operator is tested goes by the faults to be expected in their hours at the common rate, never by their
  own count: given the total, the split by hours is what is tested. Operators who are not tested still count in
  the correction for multiple comparisons.
- An operator found above the others is excluded when the others are compared.
- Clusters are estimated between the days of each operator, and limits are always widened by the estimate.

Power: three times the rate over 10 firing hours is found in at least 80 % of reviews from about 1 fault an hour on
(of 5 operators, or with bad days, from 2). At 0.5 an hour it is some 45 %; with the site's rate known for certain it
could be at most 55 % (5 expected, 15 seen, 80 comparisons).

Known weakness: one dispersion per site and fault suits bursts. Bad days widen the limits most for the operator with
most faults a day; at 5 an hour with such days 8 % of reviews single out an operator.
"""
