"""Make it suffer: `python -m tests.long.trials [name …] [--scale 0.1]`. Exit 1 where something did not hold."""

import argparse
import logging
import sys
from functools import partial

import structlog

from tests.long.trials.every import EVERY
from tests.long.trials.table import table


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.long.trials", description=__doc__)
    parser.add_argument(
        "names", nargs="*", metavar="name", help=f"of {', '.join(EVERY)}; all, if none is given"
    )
    parser.add_argument("--scale", type=float, default=1.0, help="how much of each: 1 is the whole")
    options = parser.parse_args()
    if unknown := [name for name in options.names if name not in EVERY]:
        parser.error(f"no trial {', '.join(unknown)}; there are {', '.join(EVERY)}")
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    chosen = [EVERY[name] for name in options.names or EVERY]
    return 0 if table(chosen, options.scale, partial(print, flush=True)) else 1


if __name__ == "__main__":
    sys.exit(main())
