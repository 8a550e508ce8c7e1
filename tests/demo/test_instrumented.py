"""Instrumented carriers: kinematics of the arm, and labels of misuse that agree with the signals themselves."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.batch import Floats, Ints
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.demo.feed import ANGLES, PROBES, sense
from strikewatch.demo.instrumented import FAR_M, HEIGHT_M, REACH_M, STRETCHED, TILT_DEG, InstrumentedWorker
from strikewatch.demo.machine import Arm, Equipment, Greaser, MaintenanceTask, Misuse, PlannedMisuse, Strokes
from strikewatch.demo.site import HAMMERS, INSTRUMENTED, OPERATORS, PROFILES, SITE, hammer_of, simulate
from strikewatch.demo.timeline import Label, Timeline
from strikewatch.demo.work import Plan, WorkPeriod

ARM = Arm()
reaches = st.floats(*FAR_M)
heights = st.floats(*HEIGHT_M)


def angles_deg(strokes: Strokes) -> list[float]:
    """Return the angle of each joint from the stroke of its cylinder."""
    ends = (ARM.boom_deg, ARM.stick_deg, ARM.bucket_deg)
    return [first + (last - first) * stroke for (first, last), stroke in zip(ends, strokes, strict=True)]


def tip(strokes: Strokes) -> tuple[float, float]:
    """Return reach and height of the tool tip: textbook forward kinematics in a plane (from memory)."""
    boom_deg, stick_deg, bucket_deg = angles_deg(strokes)
    out_m, up_m, turned_deg = 0.0, ARM.foot_m, 0.0
    for length_m, by_deg in (
        (ARM.boom_m, boom_deg),
        (ARM.stick_m, stick_deg),
        (ARM.tool_m, bucket_deg),
    ):
        turned_deg += by_deg
        out_m += length_m * math.cos(math.radians(turned_deg))
        up_m += length_m * math.sin(math.radians(turned_deg))
    return out_m, up_m


@given(st.floats(*REACH_M), heights, st.floats(-30.0, 30.0))
def test_strokes_place_the_tool_at_the_requested_point(
    reach_m: float, height_m: float, tilt_deg: float
) -> None:
    strokes = ARM.strokes(ARM.joints(reach_m, height_m, tilt_deg))
    assert tip(strokes) == pytest.approx((reach_m, height_m), abs=1e-9)
    boom_deg, stick_deg, bucket_deg = angles_deg(strokes)
    assert boom_deg + stick_deg + bucket_deg == pytest.approx(tilt_deg - 90.0)


@given(reaches, heights, st.floats(*TILT_DEG))
def test_in_good_work_no_cylinder_is_near_an_end(reach_m: float, height_m: float, tilt_deg: float) -> None:
    """By at least twice the 5 % that count as the end."""
    assert all(0.1 < stroke < 0.9 for stroke in ARM.strokes(ARM.joints(reach_m, height_m, tilt_deg)))


@given(st.floats(*STRETCHED), heights, st.floats(-26.0, 26.0))
def test_at_full_reach_only_the_stick_is_at_its_end(stick: float, height_m: float, tilt_deg: float) -> None:
    strokes = ARM.strokes(ARM.joints(ARM.reach_m(stick, height_m, tilt_deg), height_m, tilt_deg))
    assert strokes.stick == pytest.approx(stick)
    assert all(0.06 < stroke < 0.94 for stroke in (strokes.boom, strokes.bucket))


def test_out_of_reach_is_an_error() -> None:
    with pytest.raises(ValueError, match="out of reach"):
        ARM.joints(12.0, 0.0, 0.0)


START_NS = instant.parse("2026-09-08T07:00:00Z")
FINE_NS = 50_000_000
KINDS: tuple[Misuse, ...] = (
    "off_square",
    "low_engine_speed",
    "over_side",
    "prying",
    "askew_at_end",
    "too_light",
    "end_of_stroke",
    "lifted",
    "submerged",
)
PROFILE = PROFILES["HB-01"]


def day(who: str = "op-13", hours: float = 1.0, **equipment: Any) -> Any:
    hammer = INSTRUMENTED["HB-01"]
    work_periods = (WorkPeriod(OPERATORS[who], hours * 3600.0),)
    return simulate(
        Plan(
            SITE,
            "HB-01",
            START_NS,
            work_periods,
            hammer.center_m,
            hammer.breaker,
            equipment=Equipment(**equipment),
        ),
        5,
    )


@pytest.fixture(scope="module")
def worked() -> InstrumentedWorker:
    """Simulate every misuse once, without long blank firing."""
    worker: InstrumentedWorker = day(
        planned_misuse=[PlannedMisuse(300.0 + 240.0 * k, what) for k, what in enumerate(KINDS)]
    )
    return worker


def labels_of(worker: InstrumentedWorker, truth: str) -> list[Label]:
    return [label for label in worker.timeline.labels if label.truth == truth]


def _distance_from_end(line: Timeline, at: Ints) -> Floats:
    """Return the distance of the nearest cylinder from its end, as a share of its stroke."""
    strokes = np.stack([line.value_at(f"{name}_stroke", at) for name in ("boom", "stick", "bucket")])
    nearest: Floats = np.minimum(strokes, 1.0 - strokes).min(axis=0)
    return nearest


def _margin_bar(line: Timeline, at: Ints) -> Floats:
    """Return the distance from the edges of the band; below 0 outside it."""
    bar, band = line.value_at("feed_bar", at), PROFILE["feed_force"]
    return np.minimum(bar - band["low_bar"], band["high_bar"] - bar)


CONDITIONS: dict[str, tuple[Callable[[Timeline, Ints], Any], bool]] = {
    "off_square": (lambda line, at: np.abs(line.value_at("tilt_deg", at)) > 15.0, True),
    "over_side": (lambda line, at: np.abs(line.value_at("swing_deg", at)) > 45.0, True),
    "end_of_stroke": (lambda line, at: _distance_from_end(line, at) <= 0.05, True),
    "low_engine_speed": (
        lambda line, at: line.value_at("rpm", at) < 0.9 * PROFILE["low_engine_speed"]["rated_rpm"],
        True,
    ),
    "feed_force": (lambda line, at: _margin_bar(line, at) < 0.0, True),
    "prying": (lambda line, at: line.value_at("side_load_bar", at) > PROFILE["prying"]["limit_bar"], False),
    "submerged": (lambda line, at: line.value_at("water_m", at) > 0.0, True),
}
"""Each fault's condition by its definition, and whether only firing counts."""


@pytest.mark.parametrize("truth", CONDITIONS)
def test_labelled_misuse_is_in_the_signals_for_as_long_as_the_label_says(
    truth: str, worked: InstrumentedWorker
) -> None:
    """Outside labels, a condition lasts at most as long as a good operator takes to let go (half a second)."""
    holds, firing_only = CONDITIONS[truth]
    at = np.arange(START_NS, worked.timeline.now_ns, FINE_NS, dtype=np.int64)
    counts = holds(worked.timeline, at) & (worked.timeline.firing(at) | (not firing_only))
    labels = labels_of(worked, truth)
    assert len(labels) == (2 if truth in ("off_square", "end_of_stroke", "feed_force") else 1)
    for label in labels:
        within = (at >= label.start_ns) & (at < label.end_ns)
        assert counts[within].sum() * FINE_NS / SECOND == pytest.approx(label.fields["s"], abs=0.6)
        counts[within] = False
    runs = np.diff(np.flatnonzero(np.diff(np.concatenate([[False], counts, [False]]))))[::2]
    assert runs.max(initial=0) * FINE_NS / SECOND <= 0.6


def test_misuse_begins_with_the_first_spot_after_its_planned_time(worked: InstrumentedWorker) -> None:
    for k, what in enumerate(KINDS):
        truth = {"askew_at_end": "end_of_stroke", "too_light": "feed_force", "lifted": "feed_force"}.get(
            what, what
        )
        after_s = [
            (label.start_ns - START_NS) / SECOND - (300.0 + 240.0 * k) for label in labels_of(worked, truth)
        ]
        assert any(0.0 <= s < 150.0 for s in after_s), what


def test_strokes_swing_and_tool_position_agree(worked: InstrumentedWorker) -> None:
    """Between spots the tool moves by the law of cosines of reach and swing, unless the carrier moved."""
    line = worked.timeline
    at = line.piece_starts_ns()[line.firing(line.piece_starts_ns())]
    x_m, y_m = line.value_at("x_m", at), line.value_at("y_m", at)
    moved_m = np.hypot(np.diff(x_m), np.diff(y_m))
    strokes = np.stack([line.value_at(f"{name}_stroke", at) for name in ("boom", "stick", "bucket")], axis=1)
    reach_m = np.array([tip(Strokes(*values))[0] for values in strokes])
    apart = np.radians(np.diff(line.value_at("swing_deg", at)))
    by_arm_m = np.sqrt(
        reach_m[1:] ** 2 + reach_m[:-1] ** 2 - 2.0 * reach_m[1:] * reach_m[:-1] * np.cos(apart)
    )
    next_spot = (moved_m > 0.5) & (moved_m < 1.7)
    assert next_spot.sum() > 30
    assert (np.abs(by_arm_m - moved_m)[next_spot] < 1e-6).mean() > 0.6


def test_an_operator_who_turns_the_engine_down_is_labelled_at_every_spot() -> None:
    worker = day("op-17", 0.4)
    assert len(labels_of(worker, "low_engine_speed")) > 20


def test_long_blank_firing_is_also_labelled_as_too_little_feed_force() -> None:
    worker = day("op-15", 0.7)
    long = [label for label in labels_of(worker, "blank") if label.fields["s"] >= 2.0]
    assert len(long) >= 3
    assert [label.start_ns for label in labels_of(worker, "feed_force")] == [label.start_ns for label in long]


def test_labels_of_reservoir_and_pump_agree_with_the_signals() -> None:
    greaser = Greaser(level=0.105, use_per_h=0.03, dry_s=(1500.0, 2700.0))
    worker = day(greaser=greaser, tasks=[MaintenanceTask(1200.0, "refill")])
    (low,), (dry,) = labels_of(worker, "grease_low"), labels_of(worker, "no_grease_flow")
    at = np.arange(START_NS, worker.timeline.now_ns, SECOND, dtype=np.int64)
    level, flow = worker.timeline.value_at("grease_level", at), worker.timeline.value_at("grease_flow", at)
    assert np.array_equal(level < 0.1, (at >= low.start_ns) & (at < low.end_ns))
    running = worker.timeline.value_at("rpm", at) > 0.0
    assert not flow[running & (at >= dry.start_ns) & (at < dry.end_ns)].any()
    assert flow[running & ((at < dry.start_ns) | (at >= dry.end_ns))].all()
    struck = worker.timeline.firing(at) & (at >= dry.start_ns) & (at < dry.end_ns)
    assert dry.fields["firing_s"] == pytest.approx(struck.sum(), rel=0.05)
    assert struck.sum() > 300
    assert worker.equipment_after().greaser.level == pytest.approx(worker.level)


def test_maintenance_is_logged_when_done_with_the_engine_off() -> None:
    fields = {"tool": "moil", "serial": "T-1"}
    worker = day(
        hours=0.4, tasks=[MaintenanceTask(400.0, "tool_change", fields), MaintenanceTask(600.0, "refill")]
    )
    (event,) = [event for event in worker.events if event.kind == "tool_change"]
    assert event.fields == fields
    assert event.time >= START_NS + 400 * SECOND
    assert not worker.timeline.value_at("rpm", np.array([event.time], np.int64))[0]
    assert "refill" not in [event.kind for event in worker.events]


@pytest.mark.parametrize("name", INSTRUMENTED)
def test_an_instrumented_feed_has_every_additional_channel_at_its_resolution(name: str) -> None:
    equipment = INSTRUMENTED[name].equipment
    hammer = HAMMERS[name]
    plan = Plan(
        SITE,
        name,
        START_NS,
        (WorkPeriod(OPERATORS["op-11"], 600.0),),
        hammer.center_m,
        hammer.breaker,
        equipment=equipment,
    )
    feed, line = hammer_of(plan).feed, simulate(plan, 5).timeline
    rows = sense(line, feed, START_NS, line.now_ns, np.random.default_rng(1))
    placed = ANGLES.keys() if feed.angles else {"tool_x_m", "tool_y_m"}
    assert set(rows.columns) == {"active", "pressure_bar", "oil_c", "engine_rpm"} | PROBES.keys() | placed
    for channel, probe in (PROBES | (ANGLES if feed.angles else {})).items():
        column = rows.columns[channel]
        known = column[~np.isnan(column)]
        assert len(known) == np.count_nonzero(np.isfinite(column)) > 0
        assert known == pytest.approx(np.round(known * probe.steps) / probe.steps, abs=1e-12)
        assert known.min() >= CHANNELS[channel].low
        assert known.max() <= CHANNELS[channel].high
