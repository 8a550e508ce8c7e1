"""Process malformed payloads: `python -m tests.long.malformed [--live | --mapped] [--count 1000000] [--seed 2]`.

Prints how often each reason was given. Without `--live` the payloads are decoded only, and it fails if anything but
`Rejected` comes out of one. With it they go through the worker into a database, and it fails if one is not
acknowledged, if more rejects than the limit are kept, or if the memory grows. With `--mapped`, `count` payloads of each
format go through the mapping of sources.
"""

import argparse
import os
import sys
import tempfile
from pathlib import Path

import structlog

from strikewatch.sources.reasons import explain
from tests.long.attacks.processor import reset_peak, resident_mib
from tests.service import test_flood
from tests.sources import malformed
from tests.sources.mapping import malformed as mapped

WARM_UP = 20_000
GROWTH_LIMIT_MIB = 50.0


def decode_all(count: int, seed: int) -> None:
    reasons = malformed.run(count, seed)
    for reason, times in reasons.most_common():
        print(
            f"{times:>10,}  {reason or '(decoded)':<28} {explain(reason.removeprefix('in array: ')).meaning}"
        )
    print(f"{count:>10,}  payloads, no crash")
    if reasons[malformed.NOT_FINITE]:
        sys.exit("infinite values were decoded")


def map_all(count: int, seed: int) -> None:
    for kind in mapped.FORMATS:
        for reason, times in mapped.run(kind, count, seed).most_common():
            print(f"{kind:<8} {times:>10,}  {reason or '(mapped)'}", flush=True)
    print(f"{count:>19,}  payloads of each format, no crash")


def process_all(count: int, seed: int) -> None:
    structlog.configure(processors=[structlog.dev.ConsoleRenderer()], logger_factory=_to_nowhere)
    pid = os.getpid()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "warm").mkdir()
        test_flood.run(folder / "warm", WARM_UP, seed)
        reset_peak(pid)
        before_mib = resident_mib(pid)
        source, _, counted, kept = test_flood.run(folder, count, seed)
        grown_mib = resident_mib(pid, peak=True) - before_mib
    for reason, n in counted.most_common():
        print(f"{n:>10,}  {reason:<28} {explain(reason).meaning}")
    print(f"{source.acknowledged:>10,}  messages acknowledged, {kept:,} rejects kept, no crash")
    print(f"{grown_mib:>10.1f}  MiB of memory more at the highest than after {WARM_UP:,}")
    if source.acknowledged != count or kept > test_flood.KEPT or grown_mib > GROWTH_LIMIT_MIB:
        sys.exit("that is not as it should be")


def _to_nowhere(*_: object) -> structlog.PrintLogger:
    return structlog.PrintLogger(Path(os.devnull).open("w"))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--live", action="store_true", help="through the worker into a database")
    parser.add_argument("--mapped", action="store_true", help="through the mapping of sources")
    parser.add_argument("--count", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=2)
    options = parser.parse_args()
    kind = process_all if options.live else map_all if options.mapped else decode_all
    kind(options.count, options.seed)


if __name__ == "__main__":
    main()
