"""Test the processor under faults: `python -m tests.long.trials [name …] [--scale 0.1]`; exit 1 if one did not hold."""

import argparse
import logging
import os
import signal
import sys
from functools import partial

import structlog

from tests.long.compiled import compile_detectors
from tests.long.trials import backlog, broker, clock_trial, database, disk, kills, month, power
from tests.long.trials.runner import run_part, run_trials
from tests.long.trials.trial import Trial

TRIALS: dict[str, Trial] = {
    module.TRIAL.name: module.TRIAL
    for module in (month, kills, clock_trial, broker, power, disk, database, backlog)
}
"""All trials by name, in the order in which they start: the longest first."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.long.trials", description=__doc__)
    parser.add_argument(
        "names", nargs="*", metavar="name", help=f"of {', '.join(TRIALS)}; all, if none is given"
    )
    parser.add_argument("--scale", type=float, default=1.0, help="how much of each: 1 is the whole")
    parser.add_argument(
        "--jobs",
        type=int,
        default=1 + (os.cpu_count() or 1),
        help="how many parts run at once (default %(default)s)",
    )
    parser.add_argument("--part", help="run only this part, in this process, and print its lines as JSON")
    options = parser.parse_args()
    if unknown := [name for name in options.names if name not in TRIALS]:
        parser.error(f"no trial {', '.join(unknown)}; there are {', '.join(TRIALS)}")
    if options.part is None:
        signal.signal(signal.SIGTERM, lambda *_: os._exit(1))  # which ends the parts, too
        compile_detectors()
        chosen = [TRIALS[name] for name in options.names or TRIALS]
        return 0 if run_trials(chosen, options.scale, options.jobs, partial(print, flush=True)) else 1
    if len(options.names) != 1 or options.part not in TRIALS[options.names[0]].parts(options.scale):
        parser.error("--part needs one trial and the name of one of its parts")
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that no process of a part is left behind
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    run_part(TRIALS[options.names[0]], options.part, options.scale)
    return 0


if __name__ == "__main__":
    sys.exit(main())
