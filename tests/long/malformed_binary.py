"""Take malformed binary payloads: `python -m tests.long.malformed_binary [NAME …] [--count 1000000] [--seed 2]`.

Prints how often each reason was given, by format, and fails if anything but `Rejected` comes out of a payload.
"""

import argparse
import sys

from strikewatch.sources.reasons import explain
from tests.sources import malformed_binary


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", default=malformed_binary.FORMATS, metavar="NAME")
    parser.add_argument("--count", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=2)
    options = parser.parse_args()
    for name in options.names:
        reasons = malformed_binary.run(name, options.count, options.seed)
        for reason, times in reasons.most_common():
            print(
                f"{name:<10} {times:>10,}  {reason or '(taken)':<18} {explain(reason).meaning if reason else ''}"
            )
        print(f"{name:<10} {options.count:>10,}  payloads, no crash", flush=True)
        if reasons["(unclear)"]:
            sys.exit("a reason without a remedy, or too long a detail")


if __name__ == "__main__":
    main()
