"""The buffer of one hammer: the rows that wait, the instants released, and what became of out-of-order rows.

`ordering` describes the policies.
"""

import sys
from bisect import bisect_left, insort
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from strikewatch.core.batch import NO_ROWS, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.sources.same_instant import (
    ReleasedInstants,
    add_missing,
    copied,
    masks,
    merge_sorted,
    without,
)

Policy = Literal["in_order", "window", "gap"]

NEVER: Final = -(1 << 62)
GAP_FACTOR: Final = 1.5
"""A step longer than the usual one by this factor is a gap."""
CLOCK_JUMP_NS: Final = 600 * SECOND
"""A row further than this ahead of the rows before it is suspect until others confirm it."""
CONFIRM_TABLE_NS: Final = 60 * SECOND
"""In a table, suspect rows that span this much time are confirmed; live, the allowed lateness is enough, because the
receiver's clock has already rejected rows from the future."""
MAX_WAITING: Final = 20_000
"""Under the policy `gap`, more rows than this do not wait, however close together they are: the oldest are released.
Each message is merged with the rows that wait, so their number bounds its cost."""
SPLIT_MEMORY: Final = 1024
"""After this many instants that arrived in one row each, a feed no longer counts as one that splits instants."""


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
class HammerBuffer:
    """The rows of one hammer between arrival and release."""

    newest: Instant = NEVER  # newest row released
    newest_instant: Instant = NEVER  # its time as it arrived: earlier where it was released 1 ns later
    usual_step: int = 0  # usual step of the feed, ns; 0 while unknown
    waiting: Rows = NO_ROWS
    suspect: Rows = NO_ROWS  # far ahead of all others: perhaps from a wrong clock
    events: list[Event] = field(default_factory=list)
    released: ReleasedInstants = field(default_factory=ReleasedInstants)
    split_countdown: int = 0  # >0: the feed splits instants into several rows; counts down to 0
    feed_channels: int = 0  # all channels of such a feed, as bits
    counts: Counts = field(default_factory=Counts)
    unused: list[tuple[str, Rows]] = field(default_factory=list)

    def release(self, rows: Rows) -> Rows:
        """Release rows, strictly increasing in time; return them."""
        n = len(rows.time_ns)
        if not n:
            return NO_ROWS
        newest = int(rows.time_ns[-1])
        before = self.newest if n == 1 else int(rows.time_ns[-2])
        if before != NEVER:
            self.usual_step = _updated_step(self.usual_step, newest - before)
        self.newest = self.newest_instant = newest
        self.counts.used += n
        self.released.note(rows)
        return rows

    def insert(self, rows: Rows, policy: Policy, allowed_lateness_ns: int, redelivered: bool) -> Rows:
        """Insert rows in any order, one by one; return those that can be released, in order.

        `redelivered`: old rows count as duplicates, not as late.
        """
        n_waiting, n_suspect = len(self.waiting), len(self.suspect)
        joined = Rows.join([self.waiting, self.suspect, rows])
        rows = Rows(joined.time_ns.copy(), {name: column.copy() for name, column in joined.columns.items()})
        times: list[int] = rows.time_ns.tolist()
        channels = masks(rows.columns, len(times))
        waiting = [(times[i], i) for i in range(n_waiting)]
        suspect = [(times[i], i) for i in range(n_waiting, n_waiting + n_suspect)]
        released: list[int] = []
        unused: dict[str, list[int]] = {"duplicate": [], "late": [], "wrong_clock": [], "merged": []}
        known = self.released.known()
        confirm_ns = allowed_lateness_ns if policy == "gap" else CONFIRM_TABLE_NS
        max_waiting = MAX_WAITING if policy == "gap" else sys.maxsize
        head = 0  # of `waiting`: rows before it are released
        newest, newest_instant, step = self.newest, self.newest_instant, self.usual_step

        def merge(i: int, queue: list[tuple[int, int]], first: int) -> bool:
            """Merge row i into a row of its instant in `queue[first:]`; False if there is none."""
            place = bisect_left(queue, (times[i], -1), lo=first)
            if place == len(queue) or queue[place][0] != times[i]:
                return False
            k = queue[place][1]
            if channels[i] & ~channels[k]:
                add_missing(rows.columns, k, i)
                channels[k] |= channels[i]
                unused["merged"].append(i)
                self._note_split(channels[k])
            else:
                unused["duplicate"].append(i)
            return True

        for i in range(n_waiting + n_suspect, len(times)):
            at = times[i]
            front = waiting[-1][0] if head < len(waiting) else newest
            if at in known:
                new_channels = channels[i] & ~known[at]
                if not new_channels:
                    unused["duplicate"].append(i)
                    continue
                self._note_split(channels[i] | known[at])
                if at != newest_instant or (head < len(waiting) and waiting[head][0] == newest + 1):
                    unused["late"].append(i)
                    continue
                without(rows.columns, i, known[at])
                newest += 1
                rows.time_ns[i] = newest
                known[at] |= new_channels
                released.append(i)
            elif at <= front and merge(i, waiting, head):
                pass
            elif at <= newest:
                unused["duplicate" if redelivered else "late"].append(i)
            elif front != NEVER and at > front + CLOCK_JUMP_NS:
                if merge(i, suspect, 0):
                    continue
                insort(suspect, (at, i))
                if suspect[-1][0] - suspect[0][0] >= confirm_ns or len(suspect) > max_waiting:
                    waiting += suspect
                    suspect = []
            else:
                unused["wrong_clock"] += [k for _, k in suspect]
                suspect = []
                insort(waiting, (at, i), lo=head)
            if not step and policy == "gap":
                step = self._first_step(newest, waiting[head : head + 3])
            while head < len(waiting):
                at, k = waiting[head]
                in_window = at > waiting[-1][0] - allowed_lateness_ns and len(waiting) - head <= max_waiting
                if in_window and self._must_wait(policy, at, newest, step, channels[k]):
                    break
                head += 1
                released.append(k)
                known[at] = channels[k]
                if newest != NEVER:
                    step = _updated_step(step, at - newest)
                newest = newest_instant = at
                self.split_countdown = max(self.split_countdown - 1, 0)
        self.waiting = rows[np.array([k for _, k in waiting[head:]], np.intp)]
        self.suspect = rows[np.array([k for _, k in suspect], np.intp)]
        for reason, found in unused.items():
            setattr(self.counts, reason, getattr(self.counts, reason) + len(found))
            if found and reason not in ("duplicate", "merged"):
                self.unused.append((reason, rows[np.array(found, np.intp)]))
        self.counts.used += len(released)
        self.newest, self.newest_instant, self.usual_step = newest, newest_instant, step
        self.released.trim()
        return rows[np.array(released, np.intp)] if released else NO_ROWS

    def _note_split(self, channels: int) -> None:
        """Note that an instant arrived in several rows, with these channels together."""
        if not self.split_countdown:
            for each in self.released.known().values():
                self.feed_channels |= each
        self.split_countdown = SPLIT_MEMORY
        self.feed_channels |= channels

    @staticmethod
    def _first_step(newest: Instant, waiting: Sequence[tuple[Instant, int]]) -> int:
        """Return the usual step of a new feed, ns, once three rows are evenly apart; 0 before that."""
        times = [] if newest == NEVER else [newest]
        times += [at for at, _ in waiting]
        steps = [after - before for before, after in pairwise(times[:3])]
        return min(steps) if len(steps) == 2 and max(steps) <= GAP_FACTOR * min(steps) else 0

    def _must_wait(self, policy: Policy, at: Instant, newest: Instant, step: int, channels: int) -> bool:
        """Tell whether another row may still belong before a row at `at`, or to the same instant."""
        if policy == "window":
            return True
        first = newest == NEVER
        if first and not step:
            return policy == "gap"
        after_gap = not first and at - newest > int(GAP_FACTOR * step)
        incomplete = self.split_countdown > 0 and self.feed_channels & ~channels != 0
        return after_gap or (policy == "gap" and incomplete)

    def continues_in_order(self, rows: Rows, allowed_lateness_ns: int) -> bool:
        """Tell whether rows continue those that wait, in time order; some may be of one instant."""
        time_ns = rows.time_ns
        if not allowed_lateness_ns or len(self.suspect):
            return False
        before = int(self.waiting.time_ns[-1]) if len(self.waiting) else self.newest + 1
        first_step = 0 if self.newest == NEVER and not len(self.waiting) else int(time_ns[0]) - before
        steps = np.diff(time_ns)
        in_order = first_step >= 0 and bool(np.all(steps >= 0))
        return in_order and max(first_step, int(steps.max(initial=0))) <= CLOCK_JUMP_NS

    def append_in_order(self, rows: Rows, allowed_lateness_ns: int) -> Rows:
        """Append rows in time order under the policy `window`; return those that can be released."""
        waiting = Rows.join([self.waiting, rows]) if len(self.waiting) else rows
        if not np.all(waiting.time_ns[1:] > waiting.time_ns[:-1]):
            waiting, merged, duplicate = merge_sorted(waiting)
            self.counts.merged += merged
            self.counts.duplicate += duplicate
        newest = waiting.time_ns[-1]
        free = int(np.searchsorted(waiting.time_ns, newest - allowed_lateness_ns, side="right"))
        self.waiting = waiting[free:]
        return self.release(waiting[:free])

    def append_sorted(self, rows: Rows, allowed_lateness_ns: int) -> Iterator[Rows]:
        """Append rows that are strictly increasing after those that wait; yield those released, the waiting apart."""
        free = int(np.searchsorted(rows.time_ns, rows.time_ns[-1] - allowed_lateness_ns, side="right"))
        if not free:
            yield self.append_in_order(rows, allowed_lateness_ns)
            return
        waited, self.waiting = self.waiting, copied(rows[free:])
        yield self.release(waited)
        yield self.release(rows[:free])


def _updated_step(usual: int, step: int) -> int:
    """Return the usual step after another one: shorter at once, longer slowly, so that a long pause changes little."""
    return step if step < usual or not usual else usual + (min(step, 2 * usual) - usual) // 16
