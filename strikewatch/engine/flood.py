"""Flood suppression: which alerts are sent at once, and which are held and sent together in a digest.

There are two kinds of episode, and one rule for both. Onsets are counted in the window that ends at each of them. An
episode begins where the count reaches `begin_count`, and ends at the first instant at which it falls below `end_count`:

- chattering: the same fault of the same hammer, 3 or more in a minute; ends after a minute without any.
- flood: all alerts sent at a site, more than 10 in 10 min; ends below 5 in 10 min.

(ISA-18.2 / IEC 62682, EEMUA 191; the counts of a flood and the minute that ends chattering are from memory.)

Only onsets count, in event time, never the time of arrival: a backlog that a gateway sends in one burst counts at its
own time and makes no flood now. An assignment is final: an alert that was sent on its own stays so when older ones
arrive after it. Held alerts are sent in digests. Alerts of high priority are never held.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from strikewatch.core.alert import Priority
from strikewatch.core.instant import Instant, seconds

SuppressionKind = Literal["chattering", "flood"]


class Settings(BaseModel):
    """How alerts are sent: delays, flood suppression, shelving. What is found, stored and counted does not change."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid", allow_inf_nan=False)

    delay_s: dict[str, float] = Field(
        default_factory=dict,
        description="Fault → on-delay: how long it must be active before it is sent, s; one that clears sooner is "
        "never sent. None by default; high priority is not delayed",
    )
    suppressed: tuple[str, ...] = Field(
        default=(), description="Faults that are suppressed by design: stored and counted, never sent"
    )
    chattering_raisings: int = Field(
        default=3,
        ge=2,
        description="This many alerts of one fault of one hammer in the window are chattering (ISA-18.2: 3 a minute)",
    )
    chattering_window_s: float = Field(
        default=60.0,
        gt=0,
        le=3600,
        description="Window of chattering, s; the same time without an alert ends it (from memory)",
    )
    flood_above: int = Field(
        default=10,
        ge=1,
        description="More alerts than this at a site within the window are a flood (from memory: 10)",
    )
    flood_below: int = Field(
        default=5, ge=1, description="A flood ends below this many within the window (from memory: 5)"
    )
    flood_window_s: float = Field(
        default=600.0, gt=0, le=86_400, description="Window of a flood, s (from memory: 10 min)"
    )
    digest_every_s: float = Field(
        default=600.0,
        gt=0,
        le=86_400,
        description="During a flood or chattering, held alerts are sent in a digest at least this often, s "
        "(ours: the window of a flood)",
    )
    digest_settle_s: float = Field(
        default=10.0,
        ge=0,
        le=600,
        description="After the end of a flood or chattering, the last digest waits this long for late alerts, s (ours)",
    )
    longest_shelf_h: float = Field(
        default=168.0,
        gt=0,
        le=8760,
        description="Longest time for which an alert may be shelved, h (ours: a week)",
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
class EpisodeRule:
    """An episode begins where the count in its window reaches `begin_count`, and ends below `end_count`."""

    kind: SuppressionKind
    window: Instant
    begin_count: int
    end_count: int


@dataclass(frozen=True, slots=True)
class Rules:
    """The settings in ns and counts. `delays`: on-delay by fault. `suppressed`: faults, by design.

    Onsets further apart than `longest_window` never belong to one episode.
    """

    chattering: EpisodeRule
    flood: EpisodeRule
    longest_window: Instant
    delays: dict[str, Instant]
    longest_delay: Instant
    digest_every: Instant
    digest_settle: Instant
    suppressed: tuple[str, ...]

    @classmethod
    def of(cls, settings: Settings) -> "Rules":
        chattering_window = seconds(settings.chattering_window_s)
        flood_window = seconds(settings.flood_window_s)
        delays = {fault: seconds(delay_s) for fault, delay_s in settings.delay_s.items()}
        return cls(
            EpisodeRule("chattering", chattering_window, settings.chattering_raisings, 1),
            EpisodeRule("flood", flood_window, settings.flood_above + 1, settings.flood_below),
            max(chattering_window, flood_window),
            delays,
            max(delays.values(), default=0),
            seconds(settings.digest_every_s),
            seconds(settings.digest_settle_s),
            settings.suppressed,
        )


@dataclass(frozen=True, slots=True)
class Episode:
    """An episode in event time: it began at an onset, and ends at `until` unless more alerts arrive."""

    began: Instant
    until: Instant

    def contains(self, onset: Instant) -> bool:
        return self.began <= onset <= self.until


SENT_ALONE: Final = None
Assignment = tuple[SuppressionKind, Episode] | None
"""The episode whose digest carries an alert, or SENT_ALONE: it is sent at once, on its own."""


def assign(
    onset: Instant,
    priority: Priority,
    rules: Rules,
    *,
    stream: Sequence[Instant],
    site: Sequence[Instant],
    chattering: Episode | None,
    flood: Episode | None,
) -> Assignment:
    """Assign an alert to an episode (with its new end), or to none.

    `stream`: sorted onsets so far of the same fault of the same hammer. `site`: sorted onsets of all alerts at the site
    except those in chattering. Both include this one, and only those up to `longest_window` after it count.
    `chattering`, `flood`: the episodes that contain the onset, if any. A flood in progress takes every alert,
    chattering included; otherwise chattering is tried first, so that one loose contact makes no flood.
    """
    if priority == "high":
        return SENT_ALONE
    if flood is not None:
        return _extend(rules, rules.flood, flood, onset, site)
    if chattering is not None:
        return _extend(rules, rules.chattering, chattering, onset, stream)
    for rule, onsets in ((rules.chattering, stream), (rules.flood, site)):
        if count(rule, onsets, onset) >= rule.begin_count:
            return _extend(rules, rule, Episode(onset, onset), onset, onsets)
    return SENT_ALONE


def count(rule: EpisodeRule, onsets: Sequence[Instant], at: Instant) -> int:
    """Count the onsets in the window that ends at an instant: (at - window, at]. `onsets` is sorted."""
    return bisect_right(onsets, at) - bisect_right(onsets, at - rule.window)


def end_of_episode(
    rule: EpisodeRule, onsets: Sequence[Instant], since: Instant, number: int | None = None
) -> Instant:
    """Return the first instant after `since` at which an episode then in progress ends, if no more alerts arrive.

    `onsets` is sorted; only the first `number` of them count. The count falls only where an onset leaves the window.
    Takes a time that does not grow with the onsets before `since`.
    """
    number = len(onsets) if number is None else number
    in_window = bisect_right(onsets, since - rule.window, 0, number)
    # Where an earlier onset leaves, the last `end_count` up to `since` are still in the window.
    newest = bisect_right(onsets, since, 0, number) - rule.end_count
    for k in range(max(in_window, newest), number):
        leaves = onsets[k] + rule.window
        after = bisect_right(onsets, leaves, 0, number) - bisect_right(onsets, onsets[k], 0, number)
        if after < rule.end_count:
            return leaves
    return since


def episodes(rule: EpisodeRule, onsets: Sequence[Instant]) -> list[Episode]:
    """Find all episodes in sorted onsets."""
    found: list[Episode] = []
    for number, onset in enumerate(onsets, 1):
        if found and found[-1].contains(onset):
            found[-1] = Episode(found[-1].began, end_of_episode(rule, onsets, onset, number))
        elif number - bisect_right(onsets, onset - rule.window) >= rule.begin_count:
            found.append(Episode(onset, end_of_episode(rule, onsets, onset, number)))
    return found


def digest_due(rules: Rules, episode: Episode, first_held: Instant, now: Instant) -> Instant:
    """Return when the digest of an episode is due: some time after its end and the last alert, or at the latest
    `digest_every` after the first alert held.

    `first_held`, `now`: when the first and the last alert it holds arrived, wall clock.
    """
    return min(first_held + rules.digest_every, max(episode.until, now) + rules.digest_settle)


def _extend(
    rules: Rules, rule: EpisodeRule, episode: Episode, onset: Instant, onsets: Sequence[Instant]
) -> Assignment:
    """Find the new end from the newest onset in the episode on: going through those before it takes quadratic time."""
    number = bisect_right(onsets, onset + rules.longest_window)
    newest = onsets[bisect_right(onsets, episode.until, 0, number) - 1]
    until = end_of_episode(rule, onsets, newest, number)
    return rule.kind, Episode(episode.began, max(episode.until, until))
