"""Measure fleets: `python -m tests.long.fleet [HAMMERS] [--by-day] [--spark] | kills [N] | rate [HAMMERS] [BLOCKS]`.

Without a name: seconds and rows per second of CPU of reading the columns alone and of the whole replay, and bytes a
row, see `batch`. `--by-day`: a file for each hammer and day, not month. `--spark`: also on `local[1]` and `local[2]`,
and memory of a worker. Of streams: `kills`, and the rate, see `stream_rate`.
"""

import sys
import tempfile
from pathlib import Path

from tests.long.fleet import batch, kills, stream_rate


def main() -> None:
    words = sys.argv[1:]
    if words[:1] == ["rate"]:
        stream_rate.main(*map(int, words[1:3]))
        return
    with tempfile.TemporaryDirectory() as name:
        if words[:1] == ["kills"]:
            result = kills.run(Path(name), kills=int((*words[1:], 20)[0]))
            print(result)
            sys.exit(not result.passed)
        hammers = next((int(word) for word in words if word.isdecimal()), 4)
        cores = (1, 2) if "--spark" in words else ()
        batch.measure(Path(name), hammers, by_day="--by-day" in words, cores=cores)


if __name__ == "__main__":
    main()
