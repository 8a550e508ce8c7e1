"""What the code finds in the recorded shifts is what really happened there, by the labels of the simulator."""

import json
from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime
from functools import cache
from typing import Any

import pytest

from strikewatch.service.recorded.replay import replay_shifts
from strikewatch.service.reviews.hammers import usage_of_replay
from strikewatch.settings.tree import load
from strikewatch.sources.recordings import open_shifts
from tests.goldens.bless import NAMES, SETTINGS, SHIFTS, findings

Interval = tuple[float, float]


def labels(name: str, truth: str) -> Iterator[tuple[dict[str, Any], Interval]]:
    """Yield what really happened, by the simulator that made the shift: (label, its interval)."""
    for line in (SHIFTS / name / "labels.jsonl").read_text(encoding="utf-8").splitlines():
        label = json.loads(line)
        if label["truth"] == truth:
            yield label, (at(label["from"]), at(label["to"]))


@cache
def alerts(name: str) -> list[dict[str, Any]]:
    """Return the alert records of a shift."""
    return [json.loads(line) for line in findings(name)]


def interval(alert: dict[str, Any]) -> Interval:
    return at(alert["onset"]), at(alert["cleared"]) if alert["cleared"] else float("inf")


def intervals(name: str, fault: str, hammer: str) -> list[Interval]:
    return [interval(a) for a in alerts(name) if a["fault"] == fault and a["hammer"] == hammer]


def overlap(first: Interval, second: Interval) -> bool:
    return first[0] <= second[1] and second[0] <= first[1]


def at(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


@pytest.mark.parametrize("name", ["hot-bench", "pad-handover", "quiet-bench", "full-bench", "wet-trench"])
def test_same_spot_is_found_wherever_an_operator_lingered_and_nowhere_else(name: str) -> None:
    """Without `trench-feed`, which loses samples. The end may be known only with the next row, half a second later."""
    lingered = [(label, (start, end + 0.5)) for label, (start, end) in labels(name, "linger")]
    for label, true in lingered:
        assert any(overlap(true, found) for found in intervals(name, "same_spot", label["hammer"])), label
    for hammer in {label["hammer"] for label, _ in labels(name, "at_controls")}:
        for found in intervals(name, "same_spot", hammer):
            assert any(overlap(found, true) for label, true in lingered if label["hammer"] == hammer)


@pytest.mark.parametrize("name", NAMES)
def test_hot_oil_is_found_wherever_the_hammer_fired_with_hot_oil(name: str) -> None:
    for label, hot in labels(name, "hot"):
        if label["firing_s"] > 7.0:
            assert any(overlap(hot, found) for found in intervals(name, "hot_oil", label["hammer"])), label


def test_blank_firing_recall_is_at_least_85_percent_and_precision_95() -> None:
    """On the simulator's own blows, also under a throttled engine: the evidence is that of `tests/physics`."""
    long_spells = found = raised_count = true = 0
    for name in NAMES:
        for hammer in {label["hammer"] for label, _ in labels(name, "at_controls")}:
            blanks = [(label, i) for label, i in labels(name, "blank") if label["hammer"] == hammer]
            raised = intervals(name, "blank_firing", hammer)
            long = [i for label, i in blanks if label["s"] >= 1.5]
            long_spells += len(long)
            found += sum(any(overlap(i, alert) for alert in raised) for i in long)
            raised_count += len(raised)
            true += sum(any(overlap(alert, i) for _, i in blanks) for alert in raised)
    print(
        f"blank spells of 1.5 s and more: {found} of {long_spells} found; {true} of {raised_count} suspicions true"
    )
    assert long_spells > 40
    assert found >= 0.85 * long_spells
    assert true >= 0.95 * raised_count


RICH_SHIFTS = ("full-bench", "wet-trench")
SECONDS = {
    "low_engine_speed": ("firing_slow_s", 5.0),
    "end_of_stroke": ("firing_end_s", 1.0),
    "over_side": ("firing_over_side_s", 3.0),
    "off_square": ("firing_off_square_s", 2.0),
    "feed_force": ("firing_off_band_s", 3.0),
    "prying": ("pried_s", 0.5),
    "submerged": ("firing_submerged_s", 0.0),
}
"""By fault: the evidence with the seconds at fault, and the limit, s."""
SLACK_S = 1.6
"""Pose and engine speed are sampled every second, and a 2 Hz feed adds a row at either end."""
ROW_S = 0.5
"""The end is known only with the next row of the slower feed."""
POSITION_FAULTS = ("end_of_stroke", "over_side", "off_square")


def causes(alert: dict[str, Any]) -> list[str]:
    names: str = alert["evidence"].get("causes", alert["fault"])
    return names.split()


def alerts_with_cause(name: str, truth: str) -> list[tuple[dict[str, Any], Interval]]:
    """Return the alerts with this cause and their intervals."""
    return [(alert, interval(alert)) for alert in alerts(name) if truth in causes(alert)]


@pytest.mark.parametrize("truth", SECONDS)
@pytest.mark.parametrize("name", RICH_SHIFTS)
def test_every_misuse_is_found_once_with_its_operator_and_its_seconds(name: str, truth: str) -> None:
    seconds, limit_s = SECONDS[truth]
    for label, true in labels(name, truth):
        if label["s"] < limit_s + SLACK_S / 2:
            continue
        (alert,) = [alert for alert, found in alerts_with_cause(name, truth) if overlap(true, found)]
        assert alert["operator"] == label["operator"]
        assert alert["evidence"][seconds] == pytest.approx(label["s"], abs=SLACK_S)


@pytest.mark.parametrize("truth", SECONDS)
@pytest.mark.parametrize("name", RICH_SHIFTS)
def test_no_misuse_is_found_where_there_was_none(name: str, truth: str) -> None:
    expected = [(start, end + ROW_S) for _, (start, end) in labels(name, truth)]
    for alert, found in alerts_with_cause(name, truth):
        assert any(overlap(found, true) for true in expected), alert


def test_each_misuse_is_in_the_shifts() -> None:
    """So that the two tests above are not vacuous."""
    for truth in SECONDS:
        assert sum(len(alerts_with_cause(name, truth)) for name in RICH_SHIFTS) >= 2, truth


@pytest.mark.parametrize("name", RICH_SHIFTS)
def test_faults_of_one_position_are_one_alert(name: str) -> None:
    """Labels of the same interval give one alert with a cause for each."""
    grouped = [(alert, interval(alert)) for alert in alerts(name) if alert["fault"] in POSITION_FAULTS]
    for truth in POSITION_FAULTS:
        for _, true in labels(name, truth):
            expected = {
                fault for fault in POSITION_FAULTS for _, other in labels(name, fault) if other == true
            }
            (alert,) = [alert for alert, found in grouped if overlap(true, found)]
            assert set(causes(alert)) == expected


@pytest.mark.parametrize(("truth", "cause"), [("grease_low", "reservoir"), ("no_grease_flow", "flow")])
def test_a_fault_of_automatic_greasing_lasts_as_long_as_its_cause(truth: str, cause: str) -> None:
    """Level and flow are sampled every 10 s while the gateway has power; flow is judged after 10 min of firing."""
    grease_feed = [alert for alert in alerts("wet-trench") if alert["fault"] == "grease_feed"]
    assert len(grease_feed) == 2
    ((_, (start, end)),) = labels("wet-trench", truth)
    (alert,) = [alert for alert in grease_feed if cause in alert["evidence"]["causes"]]
    onset, cleared = interval(alert)
    if cause == "reservoir":
        assert abs(onset - start) <= 90.0  # the sensor's noise about a level that falls 3 % an hour
    else:
        assert 600.0 <= onset - start <= 2400.0
    assert 0.0 <= cleared - end <= 180.0
    assert alert["operator"] is None or alert["priority"] == "medium"


def only_alert(fault: str) -> dict[str, Any]:
    (alert,) = [alert for alert in alerts("wet-trench") if alert["fault"] == fault]
    return alert


def test_check_missed_begins_at_the_first_blow_of_the_shift() -> None:
    """Within the half second between rows; shifts with an inspection give no alert."""
    ((label, (_, first_blow)),) = labels("wet-trench", "unchecked")
    alert = only_alert("check_missed")
    assert 0.0 <= at(alert["onset"]) - first_blow <= 0.5
    assert alert["operator"] == label["operator"]
    assert not [alert for alert in alerts("full-bench") if alert["fault"] == "check_missed"]


def test_hour_meter_lasts_from_the_wrong_reading_to_the_right_one() -> None:
    ((_, true),) = labels("wet-trench", "misread")
    assert interval(only_alert("hour_meter")) == true


def test_hours_from_the_meter_make_an_inspection_due_until_it_is_done() -> None:
    lines = (SHIFTS / "wet-trench" / "events.jsonl").read_text("utf-8").splitlines()
    events = [json.loads(line) for line in lines]
    read, done = (
        next(at(e["time"]) for e in events if e["event"] == kind and e.get("reason") != "moved")
        for kind in ("hours", "inspection")
    )
    alert = only_alert("inspection_soon")
    assert interval(alert) == (read, done)
    assert alert["evidence"]["since_inspection_h"] == pytest.approx(1251.2 - 1204.5, abs=0.2)


def maintenance_alerts(*faults: str) -> list[Interval]:
    """Return the intervals of faults in a year on hire, in order."""
    return sorted(interval(alert) for alert in alerts("hired-out") if alert["fault"] in faults)


def test_maintenance_of_a_year_on_hire_is_due_until_it_is_done() -> None:
    """Due and overdue together last from when the work was due until it was done; there is no other alert."""
    expected = [true for _, true in labels("hired-out", "inspection_due")]
    found = maintenance_alerts("inspection_due", "inspection_overdue")
    joined = [
        (start, max((last for next_start, last in found if next_start == end), default=end))
        for start, end in found
        if not any(other_end == start for _, other_end in found)
    ]
    assert joined == sorted(expected)
    assert maintenance_alerts("service_due") == [true for _, true in labels("hired-out", "service_due")]
    assert maintenance_alerts("service_soon")[0][1] == maintenance_alerts("service_due")[0][0]


def test_storage_is_due_after_183_days_and_its_use_is_found() -> None:
    ((_, (stopped, fired)),) = labels("hired-out", "idle")
    ((_, unprepared),) = labels("hired-out", "unprepared")
    ((onset, cleared),) = maintenance_alerts("storage_due")
    # The last blow was at most 20 s before the engine was stopped.
    assert 0.0 <= stopped + 183 * 86_400.0 - onset <= 20.0
    assert cleared == fired
    assert maintenance_alerts("storage_use") == maintenance_alerts("check_missed") == [unprepared]


def test_nothing_but_maintenance_is_found_on_hire() -> None:
    kinds = {alert["fault"].split("_")[0] for alert in alerts("hired-out")}
    assert kinds == {"inspection", "service", "storage", "check"}


HOT_SHARE = 0.15
"""Hot begins 5 s after the oil was above 80 °C, and ends at 78 °C; the labels say when it was above 80 °C."""


@pytest.mark.parametrize("name", ["full-bench", "pad-handover"])
def test_usage_agrees_with_the_labels(name: str) -> None:
    path = SHIFTS / name / SETTINGS
    settings = load(path if path.exists() else None)
    result = replay_shifts(open_shifts(SHIFTS / name), settings.of_hammer)
    table = usage_of_replay(result, settings, 0, result.end + 1)
    truth: dict[tuple[str, str], list[float]] = defaultdict(list)
    for fault, (_, limit_s) in SECONDS.items():
        for label, _ in labels(name, fault):
            truth[label["hammer"], f"{fault}_s"] += [label["s"]] if label["s"] >= limit_s else []
    for label, _ in labels(name, "linger"):
        truth[label["hammer"], "spot_beyond_s"].append(label["firing_s"] - 15.0)
    hot: dict[str, float] = defaultdict(float)
    for label, _ in labels(name, "hot"):
        hot[label["hammer"]] += label["firing_s"]
    compared = 0
    for row in table[table["not_known"] == ""].itertuples():
        if row.measure == "spot_beyond_s" or row.measure.removesuffix("_s") in SECONDS:
            expected = truth[row.hammer, row.measure]
            assert row.amount == pytest.approx(sum(expected), abs=SLACK_S * len(expected)), row
            compared += bool(expected)
        if row.measure == "hot_firing_s" and hot[row.hammer] > 60:
            assert row.amount == pytest.approx(hot[row.hammer], rel=HOT_SHARE), row
            compared += 1
    # A feed without the sensors gives no zeros to compare: the amount is not known.
    assert compared == {"full-bench": 6, "pad-handover": 3}[name]
    unknown = set(table.loc[table["not_known"] != "", "measure"])
    assert ("prying_s" in unknown) == (name == "pad-handover")
