"""States saved by earlier versions are read, and operators can be erased from them."""

from typing import Any

import numpy as np
import pytest

from strikewatch.core.batch import NO_ROWS, Batch, Portion
from strikewatch.core.instant import SECOND
from strikewatch.detectors import oil_heating, same_spot, sensor_fault
from strikewatch.detectors.base import Detector
from strikewatch.detectors.blank_firing import blank_firing
from strikewatch.detectors.blank_firing.score import SCORE
from strikewatch.detectors.blank_firing.state import BLOCK
from strikewatch.detectors.compiled.step import SPAN
from strikewatch.detectors.kernels import CHANNEL_BITS, EVENT
from strikewatch.detectors.registry import DETECTORS
from strikewatch.detectors.tiles import UNIT
from strikewatch.engine import grouping
from strikewatch.engine.attribution import OPERATORS, TOOLS, on_duty, tool_at
from strikewatch.engine.inputs import Inputs
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.state import LAYOUT, STATE, fresh, part_of
from strikewatch.settings.faults import Faults
from strikewatch.storage.privacy import erase_from_state

KEY = ("fennick-hollow", "HB-01")
NOON = 1_772_622_000 * SECOND


def version_1_state() -> tuple[str, bytes]:
    """Return layout and state of version 1 of a hammer on which op-11, then op-12 signed on."""
    record = np.zeros(1, STATE)
    pipeline = Pipeline(lambda _key: Faults().by_detector())
    pipeline.commit(pipeline.step(Batch([Portion(KEY, NO_ROWS, NOON)])))
    record[0] = pipeline.state_of(KEY)
    layouts = {
        OPERATORS.name: OPERATORS.older["crew/1:1160"],
        TOOLS.name: TOOLS.older["tool/1:328"],
    }
    operators = np.zeros(1, layouts[OPERATORS.name])
    operators["n"] = 2
    operators["at"][0, :2] = NOON - 20 * SECOND, NOON - 10 * SECOND
    operators["name"][0, :2] = b"op-11", b"op-12"
    tools = np.zeros(1, layouts[TOOLS.name])
    tools["n"] = 1
    tools["at"][0, 0] = NOON - 5 * SECOND
    tools["name"][0, 0] = b"chisel"
    parts = {name: record[name].tobytes() for name in STATE.names or ()}
    parts[OPERATORS.name], parts[TOOLS.name] = operators.tobytes(), tools.tobytes()
    layout = LAYOUT.replace(f"crew/2:{OPERATORS.dtype.itemsize}", "crew/1:1160")
    return layout.replace(f"tool/2:{TOOLS.dtype.itemsize}", "tool/1:328"), b"".join(parts.values())


def test_operators_and_tools_of_version_1_are_read() -> None:
    layout, state = version_1_state()
    pipeline = Pipeline(lambda _key: Faults().by_detector())
    assert pipeline.restore(KEY, layout, state) == []
    record = pipeline.state_of(KEY)
    assert on_duty(record[OPERATORS.name], NOON - 15 * SECOND) == "op-11"
    assert on_duty(record[OPERATORS.name], NOON) == "op-12"
    assert tool_at(record[TOOLS.name], NOON) == "chisel"


def test_only_the_given_operator_is_erased_from_a_state_of_version_1() -> None:
    layout, state = version_1_state()
    erased = part_of(layout, erase_from_state("op-11", layout, state), OPERATORS.name)
    assert on_duty(erased, NOON - 15 * SECOND) == "forgotten"
    assert on_duty(erased, NOON) == "op-12"


def test_states_saved_under_the_part_names_of_earlier_releases_are_read() -> None:
    """Modules may be renamed; the names of their parts in saved states may not."""
    saved = {
        "crew": (OPERATORS.version, OPERATORS.dtype),
        "tool": (TOOLS.version, TOOLS.dtype),
        "position": (grouping.VERSION, grouping.STATE),
    }
    records = {name: np.zeros(1, dtype) for name, (_, dtype) in saved.items()}
    records["crew"]["n"], records["crew"]["at"][0, 0], records["crew"]["name"][0, 0] = 1, NOON, b"op-11"
    records["tool"]["n"], records["tool"]["at"][0, 0], records["tool"]["name"][0, 0] = 1, NOON, b"chisel"
    records["position"]["causes"] = 5
    layout = " ".join(f"{name}/{version}:{dtype.itemsize}" for name, (version, dtype) in saved.items())
    pipeline = Pipeline(lambda _key: Faults().by_detector())
    unreadable = pipeline.restore(KEY, layout, b"".join(record.tobytes() for record in records.values()))
    assert not saved.keys() & set(unreadable)
    state = pipeline.state_of(KEY)
    assert on_duty(state[OPERATORS.name], NOON) == "op-11"
    assert tool_at(state[TOOLS.name], NOON) == "chisel"
    assert state[grouping.NAME]["causes"] == 5


@pytest.mark.parametrize(
    ("version", "layout"), [(1, sensor_fault.FIRST), (2, sensor_fault.SECOND)], ids=["first", "second"]
)
def test_a_sensor_fault_of_an_earlier_layout_is_read_on(version: int, layout: np.dtype[Any]) -> None:
    """Version 1 had bits of 32, version 2 no off-delay; what was impossible then still is, and its onset."""
    name = sensor_fault.DETECTOR.name
    parts = {part: np.zeros(1, STATE[part]) for part in STATE.names or ()}
    parts[name] = np.zeros(1, layout)
    for field, value in (("impossible", 4), ("seen_impossible", 6), ("onset", NOON), ("oil", 61.5)):
        parts[name][field] = value
    own = f"{name}/3:{sensor_fault.STATE.itemsize}"
    assert own in LAYOUT
    saved_as = LAYOUT.replace(own, f"{name}/{version}:{layout.itemsize}")
    pipeline = Pipeline(lambda _key: Faults().by_detector())
    assert pipeline.restore(KEY, saved_as, b"".join(part.tobytes() for part in parts.values())) == []
    record = pipeline.state_of(KEY)[name]
    assert [record[field] for field in ("impossible", "seen_impossible", "onset", "oil", "occurrences")] == [
        4,
        6,
        NOON,
        61.5,
        1,
    ]


def restored(detector: Detector, version: int, record: Any) -> Any:
    """Return a record of a detector's earlier layout [1] as it is read today."""
    parts = {part: np.zeros(1, STATE[part]) for part in STATE.names or ()}
    parts[detector.name] = record
    own = f"{detector.name}/{detector.version}:{detector.state.itemsize}"
    assert own in LAYOUT
    saved_as = LAYOUT.replace(own, f"{detector.name}/{version}:{record.dtype.itemsize}")
    pipeline = Pipeline(lambda _key: Faults().by_detector())
    assert pipeline.restore(KEY, saved_as, b"".join(part.tobytes() for part in parts.values())) == []
    return pipeline.state_of(KEY)[detector.name]


def test_a_spot_of_version_1_is_read_on() -> None:
    """Its sum of pressures was a float; it is now counted in units of `tiles`."""
    detector = same_spot.DETECTOR
    old = np.zeros(1, detector.older[1].layout)
    kept = {"open": 1, "fired": 16 * SECOND, "onset": NOON, "placed": 1, "ref_x": 3.25, "x_until": NOON + 7}
    for field, value in {**kept, "pressure_sum": 1234.5, "pressure_n": 9, "oil_max": 71.25}.items():
        old[field] = value
    new = restored(detector, 1, old)
    assert {field: new[field] for field in kept} == kept
    assert (new["pressure_sum"] * UNIT, new["pressure_n"], new["oil_max"]) == (1234.5, 9, 71.25)


def test_oil_means_of_version_1_are_read_on() -> None:
    """They were floats, NaN where missing."""
    detector = oil_heating.DETECTOR
    old = np.zeros(1, detector.older[1].layout)
    old["mean"] = np.linspace(50.0, 79.0, oil_heating.BINS)
    old["mean"][0, 3] = np.nan
    old["filled"], old["sum"], old["n"], old["onset"] = 29, 130.5, 2, NOON
    new = restored(detector, 1, old)
    assert np.flatnonzero(new["mean"] == oil_heating.MISSING).tolist() == [3]
    assert np.delete(new["mean"], 3) * UNIT == pytest.approx(np.delete(old["mean"][0], 3), abs=UNIT)
    assert (new["filled"], new["sum"] * UNIT, new["n"], new["onset"]) == (29, 130.5, 2, NOON)


def test_blank_firing_of_version_3_is_read_on() -> None:
    """It had the whole evidence of the run in place of its score, and counted ramp-ups without a bound."""
    detector = blank_firing.DETECTOR
    old = np.zeros(1, detector.older[3].layout)
    old["bout"], old["run"], old["fast"], old["long_windows"] = NOON, NOON + 5, 1, 300
    old["evidence"][0, SCORE] = 0.8
    old["valid"] = np.arange(20.0)
    old["baseline"]["level"], old["cusum"]["noise"], old["blows"]["period"] = 151.5, 2.5, 0.1
    old["ramp_up"]["share"], old["ramp_up"]["bouts"], old["ramp_up"]["steady_n"] = 0.875, 1000, 7
    old["waiting"]["on"], old["waiting"]["onset"], old["waiting"]["bout_numbers"] = 1, NOON, np.arange(12.0)
    new = restored(detector, 3, old)
    assert (new["bout"], new["run"], new["fast"], new["long_windows"], new["score"]) == (
        NOON,
        NOON + 5,
        1,
        1,
        0.8,
    )
    assert new["valid"].tolist() == list(range(20))
    assert (new["baseline"]["level"], new["cusum"]["noise"], new["blows"]["period"]) == (151.5, 2.5, 0.1)
    ramp = new["ramp_up"]
    assert (set(ramp["share"]), set(ramp["bouts"]), ramp["steady_n"]) == ({0.875}, {255}, 7)
    assert (new["waiting"]["on"], new["waiting"]["onset"]) == (1, NOON)
    assert new["waiting"]["bout_numbers"].tolist() == list(range(9))


def test_blank_firing_of_version_4_is_read_on() -> None:
    """It had the mean of the blocks of half a second and their squared deviations, from which the sway follows."""
    detector = blank_firing.DETECTOR
    blocks = np.array([150.0, 148.0, 155.0, 151.0])
    old = np.zeros(1, detector.older[4].layout)
    old["blocks"], old["blocks_mean"], old["blocks_square"] = 4, blocks.mean(), 4 * blocks.var()
    old["bout"], old["run_sum"], old["ramp_up"]["share"] = NOON, 3.5, 0.875
    new = restored(detector, 4, old)
    assert new["blocks_sum"] == pytest.approx(BLOCK * blocks.sum())
    assert new["blocks_squares"] == pytest.approx(np.square(BLOCK * blocks).sum())
    assert (new["blocks"], new["bout"], new["run_sum"]) == (4, NOON, 3.5)
    assert set(new["ramp_up"]["share"]) == {0.875}


def test_a_fortieth_channel_can_be_out_of_range() -> None:
    pipeline = Pipeline(lambda _key: Faults().by_detector())
    pipeline.settings(KEY)
    spans = np.array([(0, NOON, 0, 1, 0, 0)], SPAN)
    bad, none = np.array([1 << 40], CHANNEL_BITS), np.array([0], CHANNEL_BITS)
    inputs = Inputs(np.array([NOON]), {}, np.empty(0, EVENT), bad, none)
    found = pipeline._compiled.run(inputs, spans, fresh(), report=False)
    names = [detector.name for detector in DETECTORS]
    assert found["detector"].tolist() == [names.index(sensor_fault.DETECTOR.name)]
    assert found[0]["evidence"][0] == float(1 << 40)
