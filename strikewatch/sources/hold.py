"""Hold: channels that a feed sends on change only keep their value until the next one, up to a time limit.

This stage runs after `ordering` and before the detectors. It fills held values into the rows, and adds rows where none
arrives: one a second while a value is held, and one where a hold ends. Rows are in order here, so the result depends
only on them and not on how they were cut. During a silence `look_ahead` returns the same rows and keeps nothing; a
later row commits them.

A value is held on [t, t + limit). It ends earlier at a new value, at an explicit null (`NO_VALUE`, used only between
decoding and this stage) and at a `connection` event. A held `active` ends at that instant: unknown is not firing, so a
0 is written where a 1 was held. Other channels have no value for "unknown". Their last value is written early enough
for their ordinary hold time to end at the limit; where the hold ends earlier, they stay valid for that hold time.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final, Self

import numpy as np
import numpy.typing as npt
from pydantic import Field, model_validator

from strikewatch.core.batch import Floats, Ints, Key, Portion, Rows
from strikewatch.core.channels import CHANNELS, hold_column
from strikewatch.core.instant import SECOND, Instant, seconds
from strikewatch.detectors.base import DetectorSettings
from strikewatch.engine.state import split

if TYPE_CHECKING:
    from strikewatch.engine.pipeline import HammerSettings  # importing it imports every detector

NO_VALUE: Final = math.inf
"""In rows before this stage: the feed reports that there is no value. NaN means not sampled."""
ENDING: Final = ("lost", "stale")
"""States of a `connection` event that end every hold."""
MAX_HOLD_S: Final = 86_400.0
STEP: Final = SECOND
NEVER: Final = -(1 << 62)

_PLACES: Final = {name: k for k, name in enumerate(CHANNELS)}
_STATE: Final = np.dtype(
    [
        ("last", "<i8"),  # newest row; rows added in a silence are whole steps after it
        ("done", "<i8"),  # filled up to here
        ("value", "<f8", (len(CHANNELS),)),
        ("until", "<i8", (len(CHANNELS),)),  # held up to here; NEVER where not held
    ]
)
LAYOUT: Final = f"hold/1:{_STATE.itemsize}"
"""Name, version and size of a hammer's saved state, as in `engine.state.LAYOUT`."""

Bounds = Mapping[str, Instant]
"""Channel → how long a value is held, ns, where the feed does not send its own limit."""


class Settings(DetectorSettings):
    """Channels that the feed sends on change only."""

    hold_s: dict[str, float] = Field(
        default_factory=dict,
        description="Channel → longest time for which its value is held, s; other channels keep their usual hold time",
    )

    @model_validator(mode="after")
    def _possible(self) -> Self:
        for channel, hold_s in self.hold_s.items():
            if error := bound_error(channel, hold_s):
                raise ValueError(f"hold_s: {error}")
        return self


def bound_error(channel: str, hold_s: float) -> str | None:
    """Return why a channel cannot be held for this long; None if it can."""
    if channel not in CHANNELS:
        return f"{channel[:80]!r} is not a channel; the channels are {', '.join(CHANNELS)}"
    ordinary_s = CHANNELS[channel].hold_ns // SECOND
    if not ordinary_s <= hold_s <= MAX_HOLD_S:
        return f"{channel} is valid for {ordinary_s} s in any case; give {ordinary_s} to {MAX_HOLD_S:.0f} s"
    return None


def bounds_of(settings: "HammerSettings") -> Bounds:
    """Return channel → how long a value is held, ns, from a hammer's settings."""
    own = settings.get("on_change")
    return {name: seconds(hold_s) for name, hold_s in own.hold_s.items()} if isinstance(own, Settings) else {}


class Hold:
    """The held values of all hammers. `bounds_of` returns a hammer's hold limits; it is called once per hammer."""

    def __init__(self, bounds_of: Callable[[Key], Bounds]) -> None:
        self._bounds_of = bounds_of
        self._bounds: dict[Key, Bounds] = {}
        self._states: dict[Key, Any] = {}  # only of hammers with held channels

    def __contains__(self, key: Any) -> bool:
        """Tell whether a null in this hammer's feed may end a hold; asked for each message."""
        bounds = self._bounds.get(key)
        return key in self._states or bool(self._bounds_for(key) if bounds is None else bounds)

    def expect(self, key: Key, rows: Rows) -> None:
        """Prepare for rows that carry their own hold limits."""
        if key not in self._states and has_hold_columns(rows):
            self._states[key] = _fresh()

    def fill(self, portion: Portion) -> Portion:
        """Fill held values into a hammer's next rows, and remember which are still held."""
        if portion.key not in self and not has_hold_columns(portion.rows):
            return portion
        filled, self._states[portion.key] = self._filled(portion)
        return filled

    def look_ahead(self, portion: Portion) -> Portion:
        """Fill held values into a portion of a look-ahead; nothing is remembered."""
        return self._filled(portion)[0] if portion.key in self else portion

    def remaining(self, key: Key) -> Instant:
        """Return how long after its newest row a value of a hammer is held, ns."""
        state = self._states.get(key)
        return 0 if state is None else max(int(state["until"].max() - state["last"]), 0)

    def configure(self, key: Key) -> None:
        """Read a hammer's hold limits again after its settings have changed."""
        self._bounds.pop(key, None)

    def reset(self, key: Key) -> None:
        """Hold no value of a hammer any more."""
        self._states.pop(key, None)

    def saved(self, key: Key) -> bytes:
        """Return a hammer's state as bytes of `LAYOUT`."""
        state: bytes = self._states.get(key, _FRESH).tobytes()
        return state

    def restore(self, key: Key, layout: str, state: bytes) -> None:
        """Restore a hammer's part of a saved state; without one nothing is held."""
        part = dict(split(layout, state)).get(LAYOUT)
        saved = None if part is None else np.frombuffer(part, _STATE)[0].copy()
        if saved is not None and saved["until"].max() > NEVER:
            self._states[key] = saved

    def _bounds_for(self, key: Key) -> Bounds:
        bounds = self._bounds.get(key)
        if bounds is None:
            bounds = self._bounds[key] = self._bounds_of(key)
        return bounds

    def _filled(self, portion: Portion) -> tuple[Portion, Any]:
        ends = [
            event.effective
            for event in portion.events
            if event.kind == "connection" and event.fields.get("state") in ENDING
        ]
        state = self._states.get(portion.key, _FRESH)
        rows, state = fill(state, portion.rows, portion.watermark, ends, self._bounds_for(portion.key))
        return replace(portion, rows=rows), state


def fill(
    state: Any, rows: Rows, watermark: Instant, hold_ends: Sequence[Instant], bounds: Bounds
) -> tuple[Rows, Any]:
    """Fill held values into rows and into the silences up to `watermark`.

    `rows` are strictly increasing in time; `hold_ends` are the instants at which every hold ends; both come after what
    was filled before. Returns the rows, without hold columns and NO_VALUE, and the next state. `state` is not changed.
    """
    done = int(state["done"])
    ends = np.array([max(at, done + 1) for at in hold_ends if at <= watermark], np.int64)
    base = np.union1d(rows.time_ns, ends)
    own = np.searchsorted(base, rows.time_ns)
    held = {
        name: _held(name, state, rows, base, own, np.isin(base, ends), bounds)
        for name in CHANNELS
        if _is_held(name, state, rows, bounds)
    }
    # In the arrays below, entry 0 is the state before, and entry k holds from base[k - 1] on.
    start = np.concatenate([[state["last"]], base])
    stop = np.concatenate([base, [watermark + 1]])
    added = [_last_writes(start, stop, channel) for channel in held.values()]
    added += (
        [_grid(start, stop, np.max([channel.until for channel in held.values()], axis=0))] if held else []
    )
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
    return Rows(times, columns), _next_state(state, start, watermark, held)


class _Held:
    """One channel: its value and the end of its hold, from each instant of the base on (entry 0: before)."""

    def __init__(self, name: str, value: Floats, until: Ints) -> None:
        self.name = name
        self.value = value
        self.until = until
        self.early: Instant = 0 if name == "active" else CHANNELS[name].hold_ns

    def write(self, column: Floats, times: Ints, start: Ints) -> None:
        """Fill the cells where nothing was sampled; write the 0 that ends a held `active`."""
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


def _is_held(name: str, state: Any, rows: Rows, bounds: Bounds) -> bool:
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
    """Work out value and end of hold of one channel at each instant of the base."""
    sampled = np.full(len(base), np.nan)
    bound = np.full(len(base), bounds.get(name, 0), np.int64)
    if name in rows.columns:
        sampled[own] = rows.columns[name]
    if hold_column(name) in rows.columns:
        own_bound_s = rows.columns[hold_column(name)]
        given = np.isfinite(own_bound_s)
        bound[own[given]] = np.round(own_bound_s[given] * SECOND).astype(np.int64)
    sampled[ended & np.isnan(sampled)] = NO_VALUE
    newest = np.maximum.accumulate(np.where(np.isnan(sampled), -1, np.arange(len(base))))
    known = newest >= 0
    value = np.concatenate([[state["value"][_PLACES[name]]], np.where(known, sampled[newest], 0.0)])
    holds = np.isfinite(sampled) & (bound > 0)
    until = np.concatenate([[state["until"][_PLACES[name]]], np.where(holds, base + bound, NEVER)[newest]])
    value[1:][~known], until[1:][~known] = value[0], until[0]
    return _Held(name, value, until)


def _last_writes(start: Ints, stop: Ints, held: _Held) -> Ints:
    """Return the instants in each interval at which a channel is written last, and at which its hold ends."""
    found = [
        at[(at > start) & (at < stop) & (held.until > NEVER)] for at in (held.until - held.early, held.until)
    ]
    return np.concatenate(found)


def _grid(start: Ints, stop: Ints, until: Ints) -> Ints:
    """Return whole steps after the start of each interval, while a value is held."""
    length = np.where(until > NEVER, np.minimum(stop - 1, until) - start, 0)
    number = np.maximum(length // STEP, 0)
    first = np.repeat(np.cumsum(number) - number, number)
    step: Ints = np.arange(int(number.sum())) - first + 1
    return np.repeat(start, number) + step * STEP


def _ends_something(base: Ints, ends: Ints, held: Any) -> npt.NDArray[np.bool_]:
    """Tell which of `ends` [n] come while a channel is held."""
    before = np.searchsorted(base, ends)  # the entry before that of the end itself
    found = np.zeros(len(ends), bool)
    for channel in held:
        found |= channel.until[before] >= ends
    return found


def _next_state(state: Any, start: Ints, watermark: Instant, held: Mapping[str, _Held]) -> Any:
    after = state.copy()
    after["last"] = start[-1]
    after["done"] = max(watermark, int(state["done"]))
    for name, one in held.items():
        value, until = one.value[-1], int(one.until[-1])
        # A hold that has ended is dropped, so that it costs nothing any more.
        ended = until <= after["done"]
        after["value"][_PLACES[name]] = 0.0 if ended else value
        after["until"][_PLACES[name]] = NEVER if ended else until
    return after


def has_hold_columns(rows: Rows) -> bool:
    """Tell whether rows carry their own hold times."""
    return any(":" in name for name in rows.columns)


def without_hold(rows: Rows, n: int) -> Rows:
    """Return rows of which the first `n` hold no value."""
    columns = dict(rows.columns)
    for name in [name for name in columns if name in CHANNELS]:
        limit_s = columns.get(hold_column(name), np.full(len(rows), np.nan)).copy()
        limit_s[:n] = 0.0
        columns[hold_column(name)] = limit_s
    return Rows(rows.time_ns, columns)


def _fresh() -> Any:
    state = np.zeros(1, _STATE)[0]
    state["last"] = state["done"] = NEVER
    state["until"] = NEVER
    return state


_FRESH: Final = _fresh()
