"""Seven recorded shifts of the invented site, always the same: `python -m strikewatch.demo.shifts FOLDER`."""

import json
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.demo.feed import Arrivals, millis, sense
from strikewatch.demo.hired_out import hired_out
from strikewatch.demo.machine import Greaser, MaintenanceTask, Misuse, PlannedMisuse
from strikewatch.demo.site import (
    HAMMERS,
    INSTRUMENTED,
    OPERATORS,
    PROFILES,
    SITE,
    hammer_of,
    random_source,
    simulate,
)
from strikewatch.demo.timeline import Label, label_lines
from strikewatch.demo.work import Plan, WorkPeriod
from strikewatch.storage.recorder.parquet import event_object, write_shift

HOUR_S: Final = 3600.0
SETTINGS: Final = "settings.toml"
"""Settings file in the folder of a shift, with the settings of its hammers."""
Recorded = tuple[list[Arrivals], list[Event], list[Label]]


def _work_periods(*work_periods: tuple[str, float] | tuple[str, float, bool]) -> tuple[WorkPeriod, ...]:
    return tuple(
        WorkPeriod(OPERATORS[name], hours * HOUR_S, *remaining) for name, hours, *remaining in work_periods
    )


def _plan(hammer: str, start: str, work_periods: Sequence[WorkPeriod], **more: Any) -> Plan:
    kind = HAMMERS[hammer]
    return replace(
        Plan(SITE, hammer, instant.parse(start), work_periods, kind.center_m, kind.breaker), **more
    )


def _instrumented_plan(
    hammer: str, start: str, work_periods: Sequence[WorkPeriod], equipment: dict[str, Any], **more: Any
) -> Plan:
    """Plan on an instrumented carrier; `equipment`: changes to its equipment."""
    known = INSTRUMENTED[hammer].equipment
    return _plan(
        hammer, start, work_periods, equipment=None if known is None else replace(known, **equipment), **more
    )


def _record(seed: int, plans: Sequence[Plan]) -> Recorded:
    """Simulate plans; return what their gateways sample, without faults."""
    arrivals, events, labels = [], [], []
    for plan in plans:
        worker = simulate(plan, seed)
        rows = sense(
            worker.timeline,
            hammer_of(plan).feed,
            plan.start_ns,
            worker.timeline.now_ns,
            random_source(seed, plan.hammer, 1),
        )
        arrivals.append(Arrivals.undelayed(plan.hammer, rows))
        events.extend(worker.events)
        labels.extend(worker.timeline.labels)
    return arrivals, sorted(events, key=lambda event: (event.time, event.hammer)), labels


def hot_bench() -> Recorded:
    """The bench on a hot afternoon: op-12 lingers, op-13 never greases, op-16 works on in hot oil."""
    start, air_c = "2026-07-14T11:00:00Z", (33.0, 39.0)
    lunch = ((1.05 * HOUR_S, 1.25 * HOUR_S),)
    return _record(
        101,
        [
            _plan("HB-01", start, _work_periods(("op-12", 2.5)), air_c=air_c, oil_c=58.0, pauses_s=lunch),
            _plan("HB-02", start, _work_periods(("op-13", 2.3), ("op-16", 2.75)), air_c=air_c, oil_c=62.0),
        ],
    )


def pad_handover() -> Recorded:
    """The pad: tools fired before they are set or fallen through, and a handover while the oil is hot."""
    start, air_c = "2026-07-15T12:30:00Z", (36.0, 38.0)
    return _record(
        202,
        [
            _plan("HB-03", start, _work_periods(("op-14", 0.75), ("op-15", 1.5)), air_c=air_c, oil_c=74.0),
            _plan(
                "HB-04", start, _work_periods(("op-15", 0.8), ("op-18", 1.5, False)), air_c=air_c, oil_c=64.0
            ),
        ],
    )


def trench_feed() -> Recorded:
    """The trench on a cold morning, with feeds that drop out, send backlogs, repeat rows, and have a wrong clock."""
    start = instant.parse("2026-03-04T06:30:00Z")
    (fifth, sixth), events, labels = _record(
        303,
        [
            _plan(
                "HB-05", "2026-03-04T06:30:00Z", _work_periods(("op-17", 0.8)), air_c=(4.0, 7.0), oil_c=9.0
            ),
            _plan(
                "HB-06", "2026-03-04T06:30:00Z", _work_periods(("op-18", 0.8)), air_c=(4.0, 7.0), oil_c=14.0
            ),
        ],
    )

    def at(minutes: float) -> int:
        return start + round(minutes * 60.0) * SECOND

    fifth = fifth.dropout(at(14), at(15.5), "antenna torn off by a stone")
    fifth = fifth.out_of_range(at(24), at(26), "oil_c", 215.0)
    fifth = fifth.duplicates(at(30), at(32), 0.7)
    sixth = sixth.backlog(at(12), at(16), 20.0)
    sixth = sixth.wrong_clock(
        at(22), at(22.75), instant.parse("2000-01-01T00:00:00Z") / SECOND - at(22) / SECOND
    )
    sixth = sixth.wrong_clock(at(28), at(28.5), 40.0 * 60.0)
    sixth = sixth.backlog(at(36), at(38.5), 0.0)
    return [fifth, sixth], events, labels


def quiet_bench() -> Recorded:
    """Nothing to find: op-11 works carefully in hard stone, op-17 with the engine turned down."""
    start, air_c = "2026-04-21T07:00:00Z", (11.0, 16.0)
    return _record(
        404,
        [
            _plan(
                "HB-01", start, _work_periods(("op-11", 1.0)), air_c=air_c, oil_c=40.0, stone_hard=(0.3, 1.0)
            ),
            _plan("HB-03", start, _work_periods(("op-11", 0.5), ("op-17", 1.0)), air_c=air_c, oil_c=42.0),
        ],
    )


def full_bench() -> Recorded:
    """The bench with every sensor: each kind of misuse at a planned time, all of it twice."""
    start = "2026-09-08T07:00:00Z"
    first: tuple[Misuse, ...] = ("off_square", "low_engine_speed", "over_side", "prying", "askew_at_end")
    second: tuple[Misuse, ...] = ("too_light", "end_of_stroke", "lifted")
    planned_misuse = tuple(
        PlannedMisuse(400.0 + 210.0 * number, fault) for number, fault in enumerate((*first, *second) * 2)
    )
    work_periods = _work_periods(("op-16", 0.6), ("op-13", 1.15))
    return _record(
        505,
        [
            _instrumented_plan(
                "HB-01",
                start,
                work_periods,
                {"planned_misuse": planned_misuse},
                air_c=(14.0, 18.0),
                oil_c=44.0,
            )
        ],
    )


def wet_trench() -> Recorded:
    """The trench after rain, greased by a pump: under water, low on grease, its pump dry; one shift without the check.

    The hammer has just come to this carrier, its gateway missed 46 h, and somebody misreads the hour meter.
    """
    start = "2026-09-09T06:30:00Z"
    equipment: dict[str, Any] = {
        "greaser": Greaser(level=0.105, dry_s=(2900.0, 6000.0)),
        "planned_misuse": (
            PlannedMisuse(700.0, "submerged"),
            PlannedMisuse(1300.0, "too_light"),
            PlannedMisuse(1800.0, "submerged"),
            PlannedMisuse(3400.0, "prying"),
            PlannedMisuse(5200.0, "submerged"),
        ),
        "tasks": (
            MaintenanceTask(300.0, "hours", {"meter_h": 1204.5, "reason": "moved"}),
            MaintenanceTask(600.0, "hours", {"meter_h": 1251.2, "reason": "reading"}),
            MaintenanceTask(
                900.0,
                "inspection",
                {
                    "bushing": "second_groove_visible",
                    "turned_before": False,
                    "bore_mm": 81.4,
                    "tool_mm": 79.6,
                    "tool_length_mm": 742.0,
                },
            ),
            MaintenanceTask(1500.0, "tool_change", {"tool": "moil", "serial": "T-0417"}),
            MaintenanceTask(2000.0, "hours", {"meter_h": 1215.8, "reason": "reading"}, wrong=True),
            MaintenanceTask(2400.0, "refill"),
            MaintenanceTask(3000.0, "hours", {"meter_h": 1252.3, "reason": "reading"}),
        ),
    }
    work_periods = _work_periods(("op-16", 1.2), ("op-18", 1.9))
    return _record(
        606, [_instrumented_plan("HB-06", start, work_periods, equipment, air_c=(9.0, 13.0), oil_c=38.0)]
    )


SHIFTS: Final[dict[str, Callable[[], Recorded]]] = {
    "full-bench": full_bench,
    "hired-out": hired_out,
    "hot-bench": hot_bench,
    "pad-handover": pad_handover,
    "quiet-bench": quiet_bench,
    "trench-feed": trench_feed,
    "wet-trench": wet_trench,
}
AS_CSV: Final = ("trench-feed",)
"""Kept as CSV in order of arrival, across hammers, the way a logger writes it."""


def write(name: str, folder: Path) -> None:
    """Make the shift `name` into `folder`: samples, events and labels; goldens are left alone."""
    arrivals, events, labels = SHIFTS[name]()
    if name in AS_CSV:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "samples.csv").write_text(_csv(arrivals), encoding="utf-8")
        lines = "".join(json.dumps(event_object(event)) + "\n" for event in events)
        (folder / "events.jsonl").write_text(lines, encoding="utf-8")
    else:
        write_shift(folder, SITE, {each.hammer: each.rows for each in arrivals}, events)
    profiles = {each.hammer: PROFILES[each.hammer] for each in arrivals if "feed_bar" in each.rows.columns}
    if profiles:
        (folder / SETTINGS).write_text(_toml(profiles), encoding="utf-8")
    labels = labels + [label for each in arrivals for label in each.labels]
    (folder / "labels.jsonl").write_text(label_lines(labels), encoding="utf-8")


def _toml(profiles: Mapping[str, Mapping[str, Mapping[str, float | str]]]) -> str:
    lines = ["# From the operator's manuals of these hammers; invented like the whole site."]
    for hammer, tables in profiles.items():
        for detector, table in tables.items():
            lines += [
                "",
                f"[hammers.{hammer}.{detector}]",
                *(f"{name} = {json.dumps(value)}" for name, value in table.items()),
            ]
    return "\n".join(lines) + "\n"


def _csv(arrivals: Sequence[Arrivals]) -> str:
    """All rows in order of arrival; a cell is empty where the channel was not sampled."""
    names = [name for name in CHANNELS if any(name in each.rows.columns for each in arrivals)]
    arrived = np.concatenate([each.arrived_ns for each in arrivals])
    lines = [
        ",".join(
            (
                millis(int(each.rows.time_ns[row])),
                SITE,
                each.hammer,
                *(_cell(each, name, row) for name in names),
            )
        )
        for each in arrivals
        for row in range(len(each.rows))
    ]
    ordered = (lines[row] for row in np.argsort(arrived, kind="stable"))
    return "\n".join((",".join(("time", "site", "hammer", *names)), *ordered)) + "\n"


def _cell(arrivals: Arrivals, name: str, row: int) -> str:
    value = arrivals.rows.columns[name][row] if name in arrivals.rows.columns else np.nan
    if np.isnan(value):
        return ""
    return ("false", "true")[int(value)] if CHANNELS[name].boolean else f"{value:g}"


def main(arguments: Sequence[str]) -> int:
    """Write every shift into the folder named, one folder each."""
    if len(arguments) != 1:
        print("usage: python -m strikewatch.demo.shifts FOLDER", file=sys.stderr)
        return 2
    for name in SHIFTS:
        write(name, Path(arguments[0]) / name)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
