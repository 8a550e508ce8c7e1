"""One hammer's gate: what waits, what was passed on, and what becomes of rows that are not plainly in order.

`admit` says what the policies mean.
"""

from bisect import bisect_left, insort
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from strikewatch.core.batch import NO_ROWS, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.sources.same_instant import Passed, add_missing, masks, merge_sorted, without

Policy = Literal["none", "window", "hole"]

NEVER: Final = -(1 << 62)
HOLE: Final = 1.5
"""A step this much larger than usual is a hole."""
FAR_NS: Final = 600 * SECOND
"""A row this far ahead of its predecessors needs others to bear it out."""
BURST_NS: Final = 60 * SECOND
"""In a table a wrong clock may last this long and still be told; live, the receiver's clock tells it."""
SPLIT_ROWS: Final = 1024
"""After so many instants that came in one row each, a feed counts as one that sends whole rows."""


@dataclass(slots=True)
class Counts:
    """What became of a hammer's rows. `merged`: into a row of the same instant with other channels."""

    used: int = 0
    duplicate: int = 0
    late: int = 0
    wrong_clock: int = 0
    merged: int = 0

    def __add__(self, other: "Counts") -> "Counts":
        return Counts(
            self.used + other.used,
            self.duplicate + other.duplicate,
            self.late + other.late,
            self.wrong_clock + other.wrong_clock,
            self.merged + other.merged,
        )


@dataclass(slots=True)
class Gate:
    """One hammer's rows on their way in."""

    last: Instant = NEVER  # newest row passed on
    origin: Instant = NEVER  # the instant it arrived with: before `last` where it was passed on 1 ns later
    step: int = 0  # the feed's usual step, ns; 0 while unknown
    waiting: Rows = NO_ROWS
    far: Rows = NO_ROWS
    events: list[Event] = field(default_factory=list)
    passed: Passed = field(default_factory=Passed)
    split: int = 0  # the channels of an instant come in several rows: for so many instants more
    channels: int = 0  # of the feed, as bits, while `split`
    counts: Counts = field(default_factory=Counts)
    unused: list[tuple[str, Rows]] = field(default_factory=list)

    def pass_on(self, rows: Rows) -> Rows:
        """Rows that wait no longer, strictly increasing in time; returns them."""
        if not len(rows):
            return NO_ROWS
        newest = int(rows.time_ns[-1])
        before = self.last if len(rows) == 1 else int(rows.time_ns[-2])
        if before != NEVER:
            self.step = _usual(self.step, newest - before)
        self.last = self.origin = newest
        self.counts.used += len(rows)
        self.passed.note(rows)
        return rows

    def one_by_one(self, rows: Rows, policy: Policy, reorder_ns: int, again: bool) -> Rows:
        """Where rows are not plainly in order, each in its turn; return those that may pass, in order."""
        held, far_held = len(self.waiting), len(self.far)
        joined = Rows.join([self.waiting, self.far, rows])
        rows = Rows(joined.time_ns.copy(), {name: column.copy() for name, column in joined.columns.items()})
        times: list[int] = rows.time_ns.tolist()
        channels = masks(rows.columns, len(times))
        waiting = [(times[i], i) for i in range(held)]
        far = [(times[i], i) for i in range(held, held + far_held)]
        passed: list[int] = []
        sorted_out: dict[str, list[int]] = {"duplicate": [], "late": [], "wrong_clock": [], "merged": []}
        known = self.passed.known()
        bear_out = reorder_ns if policy == "hole" else BURST_NS
        last, origin, step = self.last, self.origin, self.step

        def merge(i: int, line: list[tuple[int, int]]) -> bool:
            """Merge row i into one of its instant in `line`, if there is one."""
            place = bisect_left(line, (times[i], -1))
            if place == len(line) or line[place][0] != times[i]:
                return False
            k = line[place][1]
            if channels[i] & ~channels[k]:
                add_missing(rows.columns, k, i)
                channels[k] |= channels[i]
                sorted_out["merged"].append(i)
                self._note_split(channels[k])
            else:
                sorted_out["duplicate"].append(i)
            return True

        for i in range(held + far_held, len(times)):
            at = times[i]
            front = waiting[-1][0] if waiting else last
            if at in known:
                new = channels[i] & ~known[at]
                if not new:
                    sorted_out["duplicate"].append(i)
                    continue
                self._note_split(channels[i] | known[at])
                if at != origin or (waiting and waiting[0][0] == last + 1):
                    sorted_out["late"].append(i)
                    continue
                without(rows.columns, i, known[at])
                last += 1
                rows.time_ns[i] = last
                known[at] |= new
                passed.append(i)
            elif at <= front and merge(i, waiting):
                pass
            elif at <= last:
                sorted_out["duplicate" if again else "late"].append(i)
            elif front != NEVER and at > front + FAR_NS:
                if merge(i, far):
                    continue
                insort(far, (at, i))
                if far[-1][0] - far[0][0] >= bear_out:
                    waiting += far
                    far = []
            else:
                sorted_out["wrong_clock"] += [k for _, k in far]
                far = []
                insort(waiting, (at, i))
            while waiting:
                at, k = waiting[0]
                if at > waiting[-1][0] - reorder_ns and self._must_wait(policy, at, last, step, channels[k]):
                    break
                del waiting[0]
                passed.append(k)
                known[at] = channels[k]
                if last != NEVER:
                    step = _usual(step, at - last)
                last = origin = at
                self.split = max(self.split - 1, 0)
        self.waiting = rows[np.array([k for _, k in waiting], np.intp)]
        self.far = rows[np.array([k for _, k in far], np.intp)]
        for reason, found in sorted_out.items():
            setattr(self.counts, reason, getattr(self.counts, reason) + len(found))
            if found and reason not in ("duplicate", "merged"):
                self.unused.append((reason, rows[np.array(found, np.intp)]))
        self.counts.used += len(passed)
        self.last, self.origin, self.step = last, origin, step
        self.passed.trim()
        return rows[np.array(passed, np.intp)] if passed else NO_ROWS

    def _note_split(self, channels: int) -> None:
        """Take note that an instant came in several rows, with these channels together."""
        if not self.split:
            for each in self.passed.known().values():
                self.channels |= each
        self.split = SPLIT_ROWS
        self.channels |= channels

    def _must_wait(self, policy: Policy, at: Instant, last: Instant, step: int, channels: int) -> bool:
        """Whether a straggler may belong before a row at `at`, or to it."""
        if policy == "window":
            return True
        if last == NEVER:
            return policy == "hole"
        hole = at - last > int(HOLE * step)
        return hole or (policy == "hole" and self.split > 0 and self.channels & ~channels != 0)

    def goes_on(self, rows: Rows, reorder_ns: int) -> bool:
        """Whether rows go on from those that wait, in order of time, some of them of one instant."""
        time_ns = rows.time_ns
        if not reorder_ns or len(self.far):
            return False
        before = int(self.waiting.time_ns[-1]) if len(self.waiting) else self.last + 1
        first = 0 if self.last == NEVER and not len(self.waiting) else int(time_ns[0]) - before
        steps = np.diff(time_ns)
        return first >= 0 and bool(np.all(steps >= 0)) and max(first, int(steps.max(initial=0))) <= FAR_NS

    def through_window(self, rows: Rows, reorder_ns: int) -> Rows:
        """Rows in order of time, in the policy `window`."""
        waiting = Rows.join([self.waiting, rows]) if len(self.waiting) else rows
        if not np.all(waiting.time_ns[1:] > waiting.time_ns[:-1]):
            waiting, merged, duplicate = merge_sorted(waiting)
            self.counts.merged += merged
            self.counts.duplicate += duplicate
        newest = waiting.time_ns[-1]
        free = int(np.searchsorted(waiting.time_ns, newest - reorder_ns, side="right"))
        self.waiting = waiting[free:]
        return self.pass_on(waiting[:free])


def _usual(step: int, new: int) -> int:
    """The feed's usual step after a new one: shorter at once, longer by and by, so that a long pause changes little."""
    return new if new < step or not step else step + (min(new, 2 * step) - step) // 16
