"""Hold: channels that a feed sends on change only keep their value until the next one, up to a bound.

The stage after `admit`, before the detectors. It fills held values into the rows, and adds rows where none comes: one
a second while a value is held, and one where a bound ends. Rows are in order here, so the result depends on them alone
and not on how they were cut. In a silence the same rows come from `ahead`, which keeps nothing, before a later row
commits them.

A value is held on [t, t + bound). It ends earlier at a new value, at an explicit null (`NO_VALUE`, between decode and
here only) and at a `connection` event. `active` then ends at that very instant: unknown is not firing, so a 0 is
written where a 1 was held. Other channels have no such word. Their last value is written early enough for the ordinary
hold time to run out at the end of the bound; where they end earlier, they live on for their ordinary hold time.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, cast

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats, Ints, Key, Portion, Rows
from strikewatch.core.channels import CHANNELS, hold_column
from strikewatch.core.instant import SECOND, Instant

NO_VALUE: Final = math.inf
"""In rows before this stage: the feed says that there is no value. NaN is "not sampled"."""
ENDING: Final = ("lost", "stale")
"""States of a `connection` event that end what is held."""
MAX_HOLD_S: Final = 86_400.0
STEP: Final = SECOND
NEVER: Final = -(1 << 62)

_PLACES: Final = {name: k for k, name in enumerate(CHANNELS)}
_STATE: Final = np.dtype(
    [
        ("last", "<i8"),  # newest row; the rows of a silence are whole steps after it
        ("done", "<i8"),  # rows were added up to here
        ("value", "<f8", (len(CHANNELS),)),
        ("until", "<i8", (len(CHANNELS),)),  # held up to here; NEVER where not held
    ]
)
LAYOUT: Final = f"hold/1:{_STATE.itemsize}"
"""Name, version and size of a hammer's saved state, as in `engine.state.LAYOUT`."""

Bounds = Mapping[str, Instant]
"""Channel → how long a value is held, ns, where the feed does not say so itself."""


class Hold:
    """The held values of all hammers. `bounds_of` gives a hammer's settings; it is asked once a hammer."""

    def __init__(self, bounds_of: Callable[[Key], Bounds]) -> None:
        self._bounds_of = bounds_of
        self._bounds: dict[Key, Bounds] = {}
        self._states: dict[Key, Any] = {}  # of hammers whose feed had a value to hold

    def __contains__(self, key: object) -> bool:
        """Whether a null of this hammer's feed may end something."""
        return key in self._states or bool(self._own(cast(Key, key)))

    def expect(self, key: Key, rows: Rows) -> None:
        """Take note that rows on their way say how long their values are held."""
        if key not in self._states and _says_bounds(rows):
            self._states[key] = _fresh()

    def portion(self, portion: Portion) -> Portion:
        """Fill a hammer's next rows."""
        if portion.key not in self and not _says_bounds(portion.rows):
            return portion
        filled, self._states[portion.key] = self._filled(portion)
        return filled

    def ahead(self, portion: Portion) -> Portion:
        """The same, for a look ahead: nothing is kept."""
        return self._filled(portion)[0] if portion.key in self else portion

    def remaining(self, key: Key) -> Instant:
        """How long after its newest row something of a hammer is held, ns."""
        state = self._states.get(key)
        return 0 if state is None else max(int(state["until"].max() - state["last"]), 0)

    def configure(self, key: Key) -> None:
        """Ask for a hammer's settings again, which have changed."""
        self._bounds.pop(key, None)

    def saved(self, key: Key) -> bytes:
        """A hammer's state as bytes of `LAYOUT`."""
        state: bytes = self._states.get(key, _FRESH).tobytes()
        return state

    def restore(self, key: Key, layout: str, state: bytes) -> None:
        """Take up a hammer's part of a saved state; without one nothing is held."""
        offset = 0
        for part in layout.split():
            size = int(part.rpartition(":")[2])
            if part == LAYOUT:
                saved = np.frombuffer(state, _STATE, 1, offset)[0].copy()
                if saved["until"].max() > NEVER:
                    self._states[key] = saved
            offset += size

    def _own(self, key: Key) -> Bounds:
        bounds = self._bounds.get(key)
        if bounds is None:
            bounds = self._bounds[key] = self._bounds_of(key)
        return bounds

    def _filled(self, portion: Portion) -> tuple[Portion, Any]:
        lost = [
            event.effective
            for event in portion.events
            if event.kind == "connection" and event.fields.get("state") in ENDING
        ]
        state = self._states.get(portion.key, _FRESH)
        rows, state = fill(state, portion.rows, portion.watermark, lost, self._own(portion.key))
        return replace(portion, rows=rows), state


def fill(state: Any, rows: Rows, upto: Instant, lost: Sequence[Instant], bounds: Bounds) -> tuple[Rows, Any]:
    """Fill held values into rows and into the silences up to `upto`.

    `rows` are strictly increasing in time, `lost` the instants at which all that is held ends, both after what was
    filled before. Returns the rows, without bounds and NO_VALUE, and the next state. `state` is left as it is.
    """
    done = int(state["done"])
    ends = np.array([max(at, done + 1) for at in lost if at <= upto], np.int64)
    base = np.union1d(rows.time_ns, ends)
    own = np.searchsorted(base, rows.time_ns)
    held = {
        name: _held(name, state, rows, base, own, np.isin(base, ends), bounds)
        for name in CHANNELS
        if _concerns(name, state, rows, bounds)
    }
    # Entry 0 of what follows is the state before; entry k is from base[k - 1] on.
    start = np.concatenate([[state["last"]], base])
    stop = np.concatenate([base, [upto + 1]])
    added = [_added(start, stop, one) for one in held.values()]
    added += [_grid(start, stop, np.max([one.until for one in held.values()], axis=0))] if held else []
    ending = ends[_ends_something(base, ends, held.values())]
    inserted = np.concatenate([*added, ending]) if held else ending
    times = np.union1d(rows.time_ns, inserted[inserted > done])
    place = np.searchsorted(times, rows.time_ns)
    columns: dict[str, Floats] = {}
    for name in [*(each for each in rows.columns if each in CHANNELS), *held]:
        if name not in columns:
            columns[name] = np.full(len(times), np.nan)
            if name in rows.columns:
                columns[name][place] = rows.columns[name]
            if name in held:
                held[name].write(columns[name], times, start)
            columns[name][np.isposinf(columns[name])] = np.nan
    return Rows(times, columns), _next(state, start, upto, held)


class _Held:
    """One channel: its value, and until when it is held, from each instant of the base on (entry 0: before)."""

    def __init__(self, name: str, value: Floats, until: Ints) -> None:
        self.name = name
        self.value = value
        self.until = until
        self.early: Instant = 0 if name == "active" else CHANNELS[name].hold_ns

    def write(self, column: Floats, times: Ints, start: Ints) -> None:
        """Fill the cells in which nothing was sampled; end a held `active`."""
        k = np.searchsorted(start[1:], times, side="right")
        value, until = self.value[k], self.until[k]
        empty = ~np.isfinite(column)
        if self.name != "active":
            written = empty & (times <= until - self.early)
            column[written] = value[written]
            return
        written = empty & (times < until)
        column[written] = value[written]
        before = np.maximum(k - 1, 0)
        ended = (times == until) & (value >= 0.5)
        ended |= (k > 0) & (times == start[k]) & (times <= self.until[before]) & (self.value[before] >= 0.5)
        column[empty & ~written & ended] = 0.0


def _concerns(name: str, state: Any, rows: Rows, bounds: Bounds) -> bool:
    if state["until"][_PLACES[name]] > NEVER:
        return True
    return name in rows.columns and (bounds.get(name, 0) > 0 or hold_column(name) in rows.columns)


def _held(
    name: str,
    state: Any,
    rows: Rows,
    base: Ints,
    own: npt.NDArray[np.intp],
    ended: npt.NDArray[np.bool_],
    bounds: Bounds,
) -> _Held:
    """Follow one channel through the instants of the base."""
    said = np.full(len(base), np.nan)
    bound = np.full(len(base), bounds.get(name, 0), np.int64)
    if name in rows.columns:
        said[own] = rows.columns[name]
    if hold_column(name) in rows.columns:
        told_s = rows.columns[hold_column(name)]
        told = np.isfinite(told_s)
        bound[own[told]] = np.round(told_s[told] * SECOND).astype(np.int64)
    said[ended & np.isnan(said)] = NO_VALUE
    newest = np.maximum.accumulate(np.where(np.isnan(said), -1, np.arange(len(base))))
    known = newest >= 0
    value = np.concatenate([[state["value"][_PLACES[name]]], np.where(known, said[newest], 0.0)])
    holds = np.isfinite(said) & (bound > 0)
    until = np.concatenate([[state["until"][_PLACES[name]]], np.where(holds, base + bound, NEVER)[newest]])
    value[1:][~known], until[1:][~known] = value[0], until[0]
    return _Held(name, value, until)


def _added(start: Ints, stop: Ints, one: _Held) -> Ints:
    """The instants within each stretch at which a channel is written for the last time, and at which it ends."""
    found = [
        at[(at > start) & (at < stop) & (one.until > NEVER)] for at in (one.until - one.early, one.until)
    ]
    return np.concatenate(found)


def _grid(start: Ints, stop: Ints, until: Ints) -> Ints:
    """Whole steps after the start of each stretch, while something is held."""
    length = np.where(until > NEVER, np.minimum(stop - 1, until) - start, 0)
    number = np.maximum(length // STEP, 0)
    first = np.repeat(np.cumsum(number) - number, number)
    step: Ints = np.arange(int(number.sum())) - first + 1
    return np.repeat(start, number) + step * STEP


def _ends_something(base: Ints, ends: Ints, held: Any) -> npt.NDArray[np.bool_]:
    """Which of the ends find a channel held."""
    before = np.searchsorted(base, ends)  # the entry before that of the end itself
    found = np.zeros(len(ends), bool)
    for one in held:
        found |= one.until[before] >= ends
    return found


def _next(state: Any, start: Ints, upto: Instant, held: Mapping[str, _Held]) -> Any:
    after = state.copy()
    after["last"] = start[-1]
    after["done"] = max(upto, int(state["done"]))
    for name, one in held.items():
        value, until = one.value[-1], int(one.until[-1])
        # What has ended is forgotten, so that nothing is done for it any more.
        ended = until <= after["done"]
        after["value"][_PLACES[name]] = 0.0 if ended else value
        after["until"][_PLACES[name]] = NEVER if ended else until
    return after


def _says_bounds(rows: Rows) -> bool:
    return any(":" in name for name in rows.columns)


def _fresh() -> Any:
    state = np.zeros(1, _STATE)[0]
    state["last"] = state["done"] = NEVER
    state["until"] = NEVER
    return state


_FRESH: Final = _fresh()
