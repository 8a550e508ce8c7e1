"""Walk one message through the live path: print the calls of a turn of the worker that raises an alert.

`python -m tests.long.walk` prints a line for each call of a function of the package, indented by its depth. A call that
is in another file than the call before is numbered and names its file. The last number is the changes of file.
`--ordinary` prints a turn that raises nothing.

Comprehensions and generator expressions count as part of the function that they are written in. The alert is the second
one of the database: all statements are compiled by then.
"""

import argparse
import json
import os
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any, Final

import strikewatch
from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.service.worker import Worker
from strikewatch.settings.tree import Settings
from strikewatch.sources.mqtt import Message
from strikewatch.storage.commit.store import Store

PACKAGE: Final = f"{Path(strikewatch.__file__).parent}{os.sep}"
TOPIC: Final = "strikewatch/fennick-hollow/HB-03/samples"
BEGIN: Final = 1_790_000_000 * SECOND
PERIOD: Final = SECOND // 10
BOUTS: Final = (range(21, 181), range(211, 371))
"""The numbers of the messages with `active` true: 16 s of firing each. `same_spot` is raised after 15 s of it, and in a
turn that does not also do what is due every second."""


@dataclass(slots=True)
class Walk:
    """The calls of one turn, each with its depth, its file in the package, and the name of the function."""

    calls: list[tuple[int, str, str]] = field(default_factory=list)

    @property
    def files(self) -> set[str]:
        """The files of the calls."""
        return {file for _, file, _ in self.calls}

    @property
    def changes(self) -> int:
        """How many calls are in another file than the call before."""
        files = [file for _, file, _ in self.calls]
        return sum(file != before for before, file in zip(["", *files], files, strict=False))

    def lines(self) -> Iterable[str]:
        """Yield a line for each call."""
        number, before = 0, ""
        for depth, file, name in self.calls:
            head = ""
            if file != before:
                number, before = number + 1, file
                head = f"{number:>3}  {file}"
            yield f"{head:<42}{'  ' * depth}{name}"


class _Recorder:
    """A profile function that notes each call of a function of the package."""

    def __init__(self, walk: Walk) -> None:
        self._walk = walk
        self._depth = 0

    def __call__(self, frame: FrameType, event: str, _arg: Any) -> None:
        code = frame.f_code
        if not code.co_filename.startswith(PACKAGE) or code.co_name.endswith(("comp>", "expr>")):
            return
        if event == "call":
            self._walk.calls.append((self._depth, code.co_filename.removeprefix(PACKAGE), code.co_qualname))
        self._depth += {"call": 1, "return": -1}.get(event, 0)


class _OneByOne:
    """A source that hands out what waits."""

    def __init__(self) -> None:
        self.waiting: list[Message] = []

    def take(self, _limit: int, _timeout_s: float) -> list[Message]:
        taken, self.waiting = self.waiting, []
        return taken

    def acknowledge(self, messages: Iterable[Message]) -> None:
        list(messages)

    def put_back(self, messages: Iterable[Message]) -> None:
        self.waiting = [*messages, *self.waiting]


def walks(folder: Path) -> tuple[Walk, Walk]:
    """Process a message a turn, by a worker with one endpoint and its database in a folder.

    Returns the turn that raises the second alert, and the turn after it, which raises nothing.
    """
    now = BEGIN
    changed: list[bool] = []
    source = _OneByOne()
    store = Store(folder / "walk.db", {"office": "https://office.example/alerts"})
    worker = Worker(
        Settings(),
        store,
        source,
        wall=lambda: now,
        monotonic=lambda: now,
        alerts_changed=lambda: changed.append(True),
        wait=lambda _s: True,
    )
    turns: list[Walk] = []
    for k in range(BOUTS[1].stop):
        now = BEGIN + k * PERIOD
        active = any(k in bout for bout in BOUTS)
        sample = {"time": instant.text(now), "active": active, "pressure_bar": 150.0, "oil_c": 60.0}
        source.waiting = [Message(TOPIC, json.dumps(sample).encode(), now, 0, 1, 1, False)]
        if k <= BOUTS[1].start:
            worker.turn(0.0)
            changed.clear()
            continue
        raised_before = bool(changed)
        turns.append(_recorded_turn(worker))
        if raised_before:
            break
    store.close()
    return turns[-2], turns[-1]


def _recorded_turn(worker: Worker) -> Walk:
    walk, before = Walk(), sys.getprofile()
    sys.setprofile(_Recorder(walk))
    try:
        worker.turn(0.0)
    finally:
        sys.setprofile(before)
    return walk


def main() -> int:
    """Print a turn, and its two figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.long.walk", description=__doc__.splitlines()[0])
    parser.add_argument("--ordinary", action="store_true", help="a turn that raises nothing")
    ordinary = parser.parse_args().ordinary
    with tempfile.TemporaryDirectory() as folder:
        walk = walks(Path(folder))[ordinary]
    print(*walk.lines(), sep="\n")
    print(f"{walk.changes} changes of file, {len(walk.files)} files, {len(walk.calls)} calls")
    return 0


if __name__ == "__main__":
    sys.exit(main())
