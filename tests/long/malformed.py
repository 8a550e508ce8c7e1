"""Process malformed payloads: `python -m tests.long.malformed [--live | --mapped] [--count 1000000] [--seed 2]`.

Prints how often each reason was given. Without `--live` the payloads are decoded only, and it fails if anything but
`Rejected` comes out of one. With it they go through the worker into a database, and it fails if one is not
acknowledged, if more rejects than the limit are kept, or if the memory grows. A process of its own makes them: that
takes more memory than processing them. With `--mapped`, `count` payloads of each format go through the mapping of
sources, a format a process; `--formats` names some. Ctrl-C ends `--live` early, with the result so far.
"""

import argparse
import multiprocessing
import os
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing.connection import Connection
from pathlib import Path

import structlog

from strikewatch.sources.reasons import explain
from tests.long.attacks.processor import reset_peak, resident_mib
from tests.service import test_flood
from tests.sources import malformed
from tests.sources.mapping import malformed as mapped

WARM_UP = 20_000
REPORTED = 50_000
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


def map_all(count: int, seed: int, formats: Sequence[str]) -> None:
    began = time.monotonic()
    with ProcessPoolExecutor(
        mp_context=multiprocessing.get_context("spawn"), max_workers=os.cpu_count()
    ) as pool:
        running = {pool.submit(mapped.run, kind, count, seed): kind for kind in formats}
        for done in as_completed(running):
            kind = running[done]
            for reason, times in done.result().most_common():
                print(f"{kind:<8} {times:>10,}  {reason or '(mapped)'}")
            print(f"{kind:<8} {count:>10,}  payloads, no crash, {time.monotonic() - began:.0f} s", flush=True)


def process_all(count: int, seed: int) -> None:
    structlog.configure(processors=[structlog.dev.ConsoleRenderer()], logger_factory=_to_nowhere)
    pid = os.getpid()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "warm").mkdir()
        test_flood.run(folder / "warm", made_elsewhere(WARM_UP, seed))
        reset_peak(pid)
        before_mib = resident_mib(pid)
        source, _, counted, kept = test_flood.run(
            folder, reported(made_elsewhere(count, seed), pid, before_mib)
        )
        grown_mib = resident_mib(pid, peak=True) - before_mib
    for reason, n in counted.most_common():
        print(f"{n:>10,}  {reason:<28} {explain(reason).meaning}")
    print(f"{source.acknowledged:>10,}  messages acknowledged, {kept:,} rejects kept, no crash")
    print(f"{grown_mib:>10.1f}  MiB of memory more at the highest than after {WARM_UP:,}")
    if not 0 < source.acknowledged == source.taken or kept > test_flood.KEPT or grown_mib > GROWTH_LIMIT_MIB:
        sys.exit("that is not as it should be")


def made_elsewhere(count: int, seed: int) -> Iterator[tuple[str, bytes]]:
    """Yield the payloads of `test_flood.mixed`, made by a process of its own."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    with ours:
        maker = context.Process(target=_make, args=(theirs, count, seed), daemon=True)
        maker.start()
        theirs.close()
        for _ in range(count):
            yield ours.recv()
        maker.join()


def reported(coming: Iterator[tuple[str, bytes]], pid: int, before_mib: float) -> Iterator[tuple[str, bytes]]:
    """Yield the payloads until Ctrl-C, and print how far it is."""
    stopped = threading.Event()
    signal.signal(signal.SIGINT, lambda *_: stopped.set())
    began = time.monotonic()
    for n, one in enumerate(coming):
        if n and n % REPORTED == 0:
            grown_mib = resident_mib(pid) - before_mib
            print(f"{n:>10,}  in {time.monotonic() - began:.0f} s, {grown_mib:.1f} MiB more", flush=True)
        yield one
        if stopped.is_set():
            return


def _make(to: Connection, count: int, seed: int) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for topic_and_payload in test_flood.mixed(count, seed):
        to.send(topic_and_payload)


def _to_nowhere(*_: object) -> structlog.PrintLogger:
    return structlog.PrintLogger(Path(os.devnull).open("w"))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--live", action="store_true", help="through the worker into a database")
    parser.add_argument("--mapped", action="store_true", help="through the mapping of sources")
    parser.add_argument("--formats", nargs="+", choices=mapped.FORMATS, default=mapped.FORMATS)
    parser.add_argument("--count", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=2)
    options = parser.parse_args()
    if options.mapped:
        map_all(options.count, options.seed, options.formats)
    else:
        run = process_all if options.live else decode_all
        run(options.count, options.seed)


if __name__ == "__main__":
    main()
