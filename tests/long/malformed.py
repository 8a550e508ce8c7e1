"""Decode malformed payloads: `python -m tests.long.malformed [--count 1000000] [--seed 2]`.

Prints how often each reason was given, and fails if anything but `Rejected` comes out of a payload.
"""

import argparse
import sys

from strikewatch.sources.reasons import explain
from tests.sources.malformed import NOT_FINITE, run


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=2)
    options = parser.parse_args()
    reasons = run(options.count, options.seed)
    for reason, times in reasons.most_common():
        print(
            f"{times:>10,}  {reason or '(decoded)':<28} {explain(reason.removeprefix('in array: ')).meaning}"
        )
    print(f"{options.count:>10,}  payloads, no crash")
    if reasons[NOT_FINITE]:
        sys.exit("infinite values were decoded")


if __name__ == "__main__":
    main()
