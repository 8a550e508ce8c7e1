"""Measure the replay of a fleet: `python -m tests.long.fleet [HAMMERS] [--by-day] [--spark]`; see `batch`.

Prints seconds and rows per second of CPU of reading the columns alone and of the whole replay, and bytes a row.
`--by-day`: a file for each hammer and day, not month. `--spark`: also on `local[1]` and `local[2]`,
and memory of a worker.
"""

import sys
import tempfile
from pathlib import Path

from tests.long.fleet import batch


def main() -> None:
    words = sys.argv[1:]
    hammers = next((int(word) for word in words if word.isdecimal()), 4)
    with tempfile.TemporaryDirectory() as name:
        cores = (1, 2) if "--spark" in words else ()
        batch.measure(Path(name), hammers, by_day="--by-day" in words, cores=cores)


if __name__ == "__main__":
    main()
