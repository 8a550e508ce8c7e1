"""A correction sets every timer to what it would be without the wrong entry.

withdrawn   from the withdrawal on the timers are those of a run without the wrong entry
replaced    a replacement that happened before the wrong entry took effect counts as if entered in its place
upgrade     a state saved by a version without corrections is read, and its timers continue
"""

import os
import random
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from strikewatch.core.batch import Batch, Portion
from strikewatch.core.events import Event, drop_corrected, reference_to
from strikewatch.core.instant import SECOND
from strikewatch.detectors.kernels import NEVER
from strikewatch.detectors.maintenance.corrections import KEPT
from strikewatch.detectors.registry import DETECTORS
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.state import LAYOUT
from strikewatch.settings.faults import Faults
from tests.detectors.recorded import SITE, alerts, faults_of, replayed
from tests.twins.maintenance_streams import Correction, correction, maintenance_stream
from tests.twins.signals import Row, accepted
from tests.twins.streams import Stream, boundary_stream, columns

SEEDS = int(os.environ.get("STRIKEWATCH_SEEDS", "150"))
WITH_HISTORY = ("grease", "upkeep", "walk_round", "long_storage")


def timers(record: Any) -> dict[str, Any]:
    """Return the timers and active faults of maintenance in a hammer's state."""
    grease, upkeep, storage = record["grease"], record["upkeep"], record["long_storage"]
    return {
        "grease": (int(grease["clock"]), bool(grease["due_onset"] != NEVER)),
        "overdue": bool(grease["overdue_onset"] != NEVER),
        "short": bool(grease["short_onset"] != NEVER),
        "items": [upkeep[name].tolist() for name in ("clock", "since", "completed", "stage")],
        "meter": (int(upkeep["meter"]), int(upkeep["meter_known"])),
        "meter_fault": bool(upkeep["meter_onset"] != NEVER),
        "checked": int(record["walk_round"]["checked"]),
        "storage": [int(storage[name]) for name in ("base", "put_in", "stored", "readied")],
        "storage_due": bool(storage["due_onset"] != NEVER),
        "storage_use": bool(storage["use_onset"] != NEVER),
    }


def state_after(stream: Stream, hammer: str, events: list[Event], upto: int) -> Any:
    """Return a hammer's state after these rows and events, up to an instant."""
    faults = faults_of(stream.settings)
    pipeline = Pipeline(lambda _key: faults.by_detector())
    key = (SITE, hammer)
    rows = columns(accepted(stream.rows[hammer]))
    rows = rows[: int(rows.time_ns.searchsorted(upto, side="right"))]
    applied = tuple(sorted((e for e in events if e.effective <= upto), key=lambda e: e.effective))
    return pipeline.step(Batch([Portion(key, rows, upto, applied)]), report=True).state[0]


def cases(first: int, last: int) -> Iterator[tuple[Stream, str, list[Event], Correction, int]]:
    for seed in range(first, last):
        rng = random.Random(seed)
        stream = (maintenance_stream, boundary_stream)[seed % 2](seed)
        for hammer, rows in stream.rows.items():
            own = stream.events[hammer]
            pair = correction(rng, hammer, rows, own, stream.end) if rows else None
            if pair is not None:
                later = rng.choice((pair.right.effective, stream.end, stream.end))
                yield stream, hammer, own, pair, later


@pytest.mark.parametrize("first", range(0, SEEDS, 50))
def test_after_a_withdrawal_the_timers_are_those_without_the_entry(first: int) -> None:
    compared = 0
    for stream, hammer, own, (wrong, right), upto in cases(first, first + 50):
        fields = {"corrects": right.fields["corrects"]}
        withdrawal = Event(SITE, hammer, "withdrawal", right.effective, fields)
        state = state_after(stream, hammer, [*own, wrong, withdrawal], upto)
        if any(state[name]["not_found"] for name in WITH_HISTORY):
            continue  # more entries between than are kept
        expected = timers(state_after(stream, hammer, own, upto))
        assert timers(state) == expected, (wrong, withdrawal)
        compared += 1
    assert compared > 10


@pytest.mark.parametrize("first", range(0, SEEDS, 50))
def test_a_replacement_counts_as_if_entered_in_place_of_the_wrong_entry(first: int) -> None:
    compared = 0
    for stream, hammer, own, (wrong, right), upto in cases(first, first + 50):
        if right.kind == "withdrawal" or right.time > wrong.effective:
            continue
        state = state_after(stream, hammer, [*own, wrong, right], upto)
        if any(state[name]["not_found"] for name in WITH_HISTORY):
            continue
        applied = wrong.effective if right.time < wrong.effective else -1
        in_place = Event(SITE, hammer, right.kind, right.time, right.fields | {"corrects": None}, applied)
        expected = timers(state_after(stream, hammer, [*own, in_place], upto))
        assert timers(state) == expected, (wrong, right)
        compared += 1
    assert compared > 5


def as_version_1(record: Any) -> tuple[str, bytes]:
    """Return a hammer's state in the layout of version 1, which had no corrections."""
    old = {d.name: d.older[1].layout for d in DETECTORS if d.name in WITH_HISTORY}
    layout, saved_bytes = [], b""
    for part in LAYOUT.split():
        name = part.partition("/")[0]
        if name in old:
            layout.append(f"{name}/1:{old[name].itemsize}")
            saved = np.zeros(1, old[name])
            for field in old[name].names or ():
                saved[field] = record[name][field]
            saved_bytes += saved.tobytes()
        else:
            layout.append(part)
            saved_bytes += record[name].tobytes()
    return " ".join(layout), saved_bytes


@pytest.mark.parametrize("seed", range(0, 60, 3))
def test_a_state_of_version_1_continues_and_later_entries_can_be_corrected(seed: int) -> None:
    """Restored half-way, it ends as without saving."""
    for stream, hammer, own, (wrong, right), _ in cases(seed, seed + 3):
        rows = columns(accepted(stream.rows[hammer]))
        faults = faults_of(stream.settings)
        pipeline = Pipeline(lambda _key, faults=faults: faults.by_detector())  # type: ignore[misc]
        key = (SITE, hammer)
        half = wrong.effective - 1
        n = int(rows.time_ns.searchsorted(half, side="right"))
        own = sorted((e for e in own if e.effective <= stream.end), key=lambda e: e.effective)
        early = tuple(e for e in own if e.effective <= half)
        pipeline.commit(pipeline.step(Batch([Portion(key, rows[:n], half, early)])))
        layout, saved = as_version_1(pipeline.state_of(key))
        later = Pipeline(lambda _key, faults=faults: faults.by_detector())  # type: ignore[misc]
        assert later.restore(key, layout, saved) == []
        withdrawal = Event(
            SITE, hammer, "withdrawal", right.effective, {"corrects": right.fields["corrects"]}
        )
        events = sorted([*own[len(early) :], wrong, withdrawal], key=lambda e: e.effective)
        last = Portion(key, rows[n:], stream.end, tuple(events))
        state = later.step(Batch([last]), report=True).state[0]
        if not any(state[name]["not_found"] for name in WITH_HISTORY):
            assert timers(state) == timers(state_after(stream, hammer, own, stream.end))


def test_a_correction_of_an_entry_that_is_no_longer_kept_is_reported() -> None:
    rows = {"HB-01": columns([Row(k * SECOND, {"active": 0.0}) for k in range(1, 400)])}
    greasings = [
        Event(SITE, "HB-01", "grease", 10 * k * SECOND, {"strokes": [12]}) for k in range(1, KEPT + 2)
    ]
    for wrong, is_kept in ((greasings[0], False), (greasings[1], True)):
        withdrawal = Event(SITE, "HB-01", "withdrawal", 300 * SECOND, {"corrects": reference_to(wrong)})
        notes = list(replayed(rows, {"HB-01": [*greasings, withdrawal]}, faults_of({})).notes())
        assert [f"{KEPT} came after them" in note for note in notes] == ([] if is_kept else [True])


def found(rows: list[Row], *events: Event, **faults: dict[str, Any]) -> list[tuple[str, float, float | None]]:
    """(fault, onset, cleared) in seconds."""
    own = {"HB-01": columns(rows)}
    settings = Faults.model_validate(faults)
    made = alerts(own, {"HB-01": list(events)}, settings, rows[-1].time_ns)
    return [(a.fault, a.onset / SECOND, None if a.cleared is None else a.cleared / SECOND) for a in made]


def test_a_fault_that_follows_from_a_correction_is_raised_at_its_instant() -> None:
    # A row every 5 s: 45 s of work at 45 s. Greased by mistake at 20 s, withdrawn at 50 s: then 50 s without grease.
    rows = [Row(5 * k * SECOND, {"active": 0.0}) for k in range(20)]
    limits = {"due_s": 45.0, "overdue_s": 48.0, "high_s": 1000.0}
    wrong = Event(SITE, "HB-01", "grease", 20 * SECOND, {})
    withdrawal = Event(SITE, "HB-01", "withdrawal", 50 * SECOND, {"corrects": reference_to(wrong)})
    assert found(rows, wrong, grease=limits) == [
        ("grease_due", 65.0, None),
        ("grease_overdue", 68.0, None),
    ]
    assert found(rows, wrong, withdrawal, grease=limits) == [
        ("grease_due", 50.0, None),
        ("grease_overdue", 50.0, None),
    ]
    # Where the wrong entry cleared an alert, that stays recorded, and the fault is raised again.
    late = Event(SITE, "HB-01", "grease", 60 * SECOND, {})
    gone = Event(SITE, "HB-01", "withdrawal", 70 * SECOND, {"corrects": reference_to(late)})
    assert found(rows, late, gone, grease=limits) == [
        ("grease_due", 45.0, 60.0),
        ("grease_overdue", 48.0, 60.0),
        ("grease_due", 70.0, None),
        ("grease_overdue", 70.0, None),
    ]


def test_a_correction_of_the_strokes_keeps_the_timer() -> None:
    # Greased at 20 s; at 60 s the strokes are corrected: due 45 s after the greasing, not 45 s after the correction.
    rows = [Row(5 * k * SECOND, {"active": 0.0}) for k in range(20)]
    limits = {"due_s": 45.0, "overdue_s": 1000.0, "high_s": 2000.0}
    wrong = Event(SITE, "HB-01", "grease", 20 * SECOND, {"strokes": [2, 2]})
    fields = {"strokes": [12, 12], "corrects": reference_to(wrong)}
    right = Event(SITE, "HB-01", "grease", 20 * SECOND, fields, 60 * SECOND)
    assert found(rows, wrong, right, grease=limits) == [
        ("grease_short", 20.0, 60.0),
        ("grease_due", 65.0, None),
    ]


def test_after_its_inspection_was_withdrawn_a_shift_needs_another() -> None:
    # Fires at 10 s, and from 60 s on; checked at 5 s, withdrawn at 30 s.
    fires = (10, 60, 62)
    rows = [Row(k * SECOND, {"active": float(k in fires)}) for k in range(80)]
    check = Event(SITE, "HB-01", "check", 5 * SECOND, {"result": "ok"})
    withdrawal = Event(SITE, "HB-01", "withdrawal", 30 * SECOND, {"corrects": reference_to(check)})
    assert found(rows, check) == []
    assert found(rows, check, withdrawal) == [("check_missed", 60.0, None)]
    newer = Event(SITE, "HB-01", "check", 40 * SECOND, {"result": "ok"})
    assert found(rows, check, withdrawal, newer) == []


def test_an_entry_made_again_with_the_same_time_is_not_the_withdrawn_one() -> None:
    # At rest since 100 s. Both greasings of 50 s come at 105 s and so take effect before the withdrawal of the first.
    rows = [Row(10 * k * SECOND, {"active": 0.0}) for k in range(30)]
    late = 100 * SECOND + 1
    wrong = Event(SITE, "HB-01", "grease", 50 * SECOND, {"strokes": [12, 12]}, late)
    again = Event(SITE, "HB-01", "grease", 50 * SECOND, {"strokes": [2, 2]}, late)
    withdrawal = Event(SITE, "HB-01", "withdrawal", 105 * SECOND, {"corrects": reference_to(wrong)})
    assert found(rows, wrong, withdrawal, again) == [("grease_short", late / SECOND, None)]
    assert drop_corrected([wrong, withdrawal, again]) == [again]
