"""Plan a run: which recordings of each hammer are to be replayed, after which saved state.

A hammer's recordings are divided into segments: a calendar month (UTC) at most, except that recordings that overlap are
never divided. A state is saved at the end of each segment. A new recording that begins after the newest row continues
from the last state; one from before goes back to the last state before it, and what was found since is replaced.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.fleet.hammer import Job, StateAt
from strikewatch.fleet.recordings import Recording

_ALWAYS: Final = -(1 << 62)


@dataclass(slots=True)
class Plan:
    """`jobs`: one a hammer, those with nothing new too. `replaced`: hammer → instant after which its segments go."""

    jobs: list[Job] = field(default_factory=list)
    replaced: dict[Key, Instant] = field(default_factory=dict)


def plan(
    known: Iterable[Recording],
    found: Iterable[Recording],
    states: Mapping[Key, Sequence[StateAt]],
    usable: Callable[[StateAt], bool] = lambda _: True,
) -> Plan:
    """Plan a run.

    `known`: recordings replayed by earlier runs; `found`: new ones, and those that have changed since, as they are now.
    `states`: the saved states of each hammer. `usable`: whether this version can read one.
    """
    found = list(found)
    changed = {recording.place for recording in found}
    everything: dict[Key, list[Recording]] = defaultdict(list)
    since: dict[Key, Instant] = {}
    for recording in known:
        if recording.place in changed:
            since[recording.key] = min(recording.first, since.get(recording.key, recording.first))
            everything.setdefault(recording.key, [])
        else:
            everything[recording.key].append(recording)
    for recording in found:
        since[recording.key] = min(recording.first, since.get(recording.key, recording.first))
        everything[recording.key].append(recording)
    planned = Plan()
    for key, recordings in sorted(everything.items()):
        own = sorted(states.get(key, ()), key=lambda state: state.reached)
        before = [
            state for state in own if usable(state) and state.reached < since.get(key, state.reached + 1)
        ]
        state = before[-1] if before else None
        reached = state.reached if state else _ALWAYS
        if own and own[-1] is not state:
            planned.replaced[key] = reached
        todo = [recording for recording in recordings if recording.first > reached]
        if state or todo:
            planned.jobs.append(Job(*key, state, tuple(segments(todo))))
    return planned


def segments(recordings: Iterable[Recording]) -> list[tuple[Recording, ...]]:
    """Divide a hammer's recordings into segments, in order of time."""
    found: list[list[Recording]] = []
    reached, month = _ALWAYS, ""
    for recording in sorted(recordings, key=lambda one: (one.first, one.place)):
        if recording.first > reached and (own := _month(recording.first)) != month:
            found.append([])
            month = own
        found[-1].append(recording)
        reached = max(reached, recording.last)
    return [tuple(segment) for segment in found]


def chunks(jobs: Sequence[Job], number: int) -> list[list[Job]]:
    """Divide jobs into at most `number` parts of about as many rows, for as many tasks."""
    parts: list[list[Job]] = [[] for _ in range(min(number, len(jobs)))]
    rows = [0] * len(parts)
    for job in sorted(jobs, key=lambda job: -job.rows):
        least = rows.index(min(rows))
        parts[least].append(job)
        rows[least] += job.rows + 1
    return parts


def _month(at: Instant) -> str:
    return datetime.fromtimestamp(at // SECOND, UTC).strftime("%Y-%m")
