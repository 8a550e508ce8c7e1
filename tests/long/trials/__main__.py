"""Test the processor under faults: `python -m tests.long.trials [name …] [--scale 0.1]`; exit 1 if one did not hold."""

import argparse
import logging
import sys
from functools import partial

import structlog

from tests.long.trials import backlog, broker, clock_trial, database, disk, kills, month, power
from tests.long.trials.trial import Trial, run_trials

TRIALS: dict[str, Trial] = {
    module.TRIAL.name: module.TRIAL
    for module in (kills, power, disk, database, broker, clock_trial, backlog, month)
}
"""All trials by name, in the order in which they run."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.long.trials", description=__doc__)
    parser.add_argument(
        "names", nargs="*", metavar="name", help=f"of {', '.join(TRIALS)}; all, if none is given"
    )
    parser.add_argument("--scale", type=float, default=1.0, help="how much of each: 1 is the whole")
    options = parser.parse_args()
    if unknown := [name for name in options.names if name not in TRIALS]:
        parser.error(f"no trial {', '.join(unknown)}; there are {', '.join(TRIALS)}")
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    chosen = [TRIALS[name] for name in options.names or TRIALS]
    return 0 if run_trials(chosen, options.scale, partial(print, flush=True)) else 1


if __name__ == "__main__":
    sys.exit(main())
