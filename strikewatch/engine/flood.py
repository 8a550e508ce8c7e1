"""Storms: what to tell at once, and what to hold and tell together, so that a bad day does not bury what counts.

Both kinds have one shape. Over the onsets of a stream, counted in the window that ends at each, a storm begins where
the count reaches `begin`, and is over at the first instant at which it has fallen below `over`:

- chattering: the same fault of the same hammer, 3 or more in a minute; over when a minute has passed without any.
- a flood: all that is told at a site, more than 10 in 10 min; over below 5 in 10 min.

(ISA-18.2 / IEC 62682, EEMUA 191; the flood's figures and the minute of quiet that ends chattering are from memory.)

All is decided by onsets, in event time, never by when something came: hours kept by a gateway and sent in one burst
count where they belong, and make no flood of the present. What was told is not judged again: an alert that went alone
stays so when older ones arrive after it. What is held goes out in digests, and what is high never waits.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from strikewatch.core.alert import Priority
from strikewatch.core.instant import Instant, seconds

StormKind = Literal["chattering", "flood"]


class Settings(BaseModel):
    """How alerts are told: delays, storms, shelves. Nothing here changes what is found, stored or counted."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    delay_s: dict[str, float] = Field(
        default_factory=dict,
        description="Fault → how long it must stand before it is told, s; one that is over sooner is never told. "
        "None by default; high priority does not wait",
    )
    suppressed: tuple[str, ...] = Field(
        default=(), description="Faults that are suppressed by design: stored and counted, never told"
    )
    chattering_raisings: int = Field(
        default=3,
        ge=2,
        description="So many raisings of a fault of a hammer within the window are chattering (ISA-18.2: 3 a minute)",
    )
    chattering_window_s: float = Field(
        default=60.0, gt=0, le=3600, description="That window, s; as long without any ends it (from memory)"
    )
    flood_above: int = Field(
        default=10,
        ge=1,
        description="More alerts than this at a site within the window are a flood (from memory: 10)",
    )
    flood_below: int = Field(
        default=5, ge=1, description="A flood is over below so many within the window (from memory: 5)"
    )
    flood_window_s: float = Field(
        default=600.0, gt=0, le=86_400, description="That window, s (from memory: 10 min)"
    )
    digest_every_s: float = Field(
        default=600.0,
        gt=0,
        le=86_400,
        description="While a storm goes on, what is held is told at least this often, s (ours: the window of a flood)",
    )
    digest_settle_s: float = Field(
        default=10.0, ge=0, le=600, description="A storm that is over waits so long for stragglers, s (ours)"
    )
    longest_shelf_h: float = Field(
        default=168.0,
        gt=0,
        le=8760,
        description="Nothing may be shelved for longer than this, h (ours: a week)",
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.flood_below > self.flood_above:
            raise ValueError(
                "flood_below must not be above flood_above, or a flood would be over as it begins"
            )
        if any(not 0 <= delay <= 86_400 for delay in self.delay_s.values()):
            raise ValueError("every delay_s must be 0 to 86400 seconds")
        return self


@dataclass(frozen=True, slots=True)
class Rule:
    """A storm begins where the count within the window reaches `begin`, and is over where it is below `over`."""

    kind: StormKind
    window: Instant
    begin: int
    over: int


@dataclass(frozen=True, slots=True)
class Rules:
    """The settings in ns and counts."""

    chattering: Rule
    flood: Rule
    delays: dict[str, Instant]
    every: Instant
    settle: Instant

    @classmethod
    def of(cls, settings: Settings) -> "Rules":
        return cls(
            Rule("chattering", seconds(settings.chattering_window_s), settings.chattering_raisings, 1),
            Rule("flood", seconds(settings.flood_window_s), settings.flood_above + 1, settings.flood_below),
            {fault: seconds(delay_s) for fault, delay_s in settings.delay_s.items()},
            seconds(settings.digest_every_s),
            seconds(settings.digest_settle_s),
        )

    @property
    def longest_delay(self) -> Instant:
        return max(self.delays.values(), default=0)

    @property
    def longest(self) -> Instant:
        """No onset further off than this matters for a storm."""
        return max(self.chattering.window, self.flood.window)


@dataclass(frozen=True, slots=True)
class Span:
    """A storm in event time: it began at one onset, and is over at `until` by what is known so far."""

    began: Instant
    until: Instant

    def holds(self, onset: Instant) -> bool:
        return self.began <= onset <= self.until


ALONE: Final = None
"""The verdict for what is told at once, alone."""
Verdict = tuple[StormKind, Span] | None


def judge(
    onset: Instant,
    priority: Priority,
    rules: Rules,
    *,
    stream: Sequence[Instant],
    site: Sequence[Instant],
    chattering: Span | None,
    flood: Span | None,
) -> Verdict:
    """Whether an alert goes alone, or into which storm; a storm it goes into is given with its new end.

    `stream`: sorted onsets told so far of the same fault of the same hammer; `site`: of all at the site but those
    folded into chattering. `chattering` and `flood`: the storms that hold the onset, if any. A flood under way takes
    all, chattering that begins in it too; otherwise chattering goes first, so that one bad contact is no flood.
    """
    if priority == "high":
        return ALONE
    if flood is not None:
        return _within(rules.flood, flood, onset, site)
    if chattering is not None:
        return _within(rules.chattering, chattering, onset, stream)
    for rule, onsets in ((rules.chattering, stream), (rules.flood, site)):
        if count(rule, [*onsets, onset], onset) >= rule.begin:
            return _within(rule, Span(onset, onset), onset, onsets)
    return ALONE


def count(rule: Rule, onsets: Sequence[Instant], at: Instant) -> int:
    """How many of the onsets lie in the window that ends at an instant: (at - window, at]."""
    return sum(at - rule.window < one <= at for one in onsets)


def over_at(rule: Rule, onsets: Sequence[Instant], since: Instant) -> Instant:
    """The first instant after `since` at which a storm under way then is over, if nothing else comes.

    `onsets` is sorted. The count falls only where one leaves the window.
    """
    for k in range(bisect_right(onsets, since - rule.window), len(onsets)):
        leaves = onsets[k] + rule.window
        if bisect_right(onsets, leaves) - bisect_right(onsets, onsets[k]) < rule.over:
            return leaves
    return since


def episodes(rule: Rule, onsets: Sequence[Instant]) -> list[Span]:
    """All storms of one kind in the sorted onsets of a stream."""
    spans: list[Span] = []
    for k, onset in enumerate(onsets):
        within = onsets[bisect_right(onsets, onset - rule.window) : k + 1]
        if spans and spans[-1].holds(onset):
            spans[-1] = Span(spans[-1].began, over_at(rule, within, onset))
        elif len(within) >= rule.begin:
            spans.append(Span(onset, over_at(rule, within, onset)))
    return spans


def due(rules: Rules, span: Span, first_held: Instant, now: Instant) -> Instant:
    """When what a storm holds is told: once it is over and nothing more has come for a while, or it has waited enough.

    `first_held` and `now` are wall time: when the first that it holds came, and the last.
    """
    return min(first_held + rules.every, max(span.until, now) + rules.settle)


def _within(rule: Rule, span: Span, onset: Instant, onsets: Sequence[Instant]) -> Verdict:
    until = over_at(rule, sorted([*onsets, onset]), onset)
    return rule.kind, Span(span.began, max(span.until, until))
