"""Feeds with the angles of the arm in place of positions: a spot ends when the arm moves."""

import os
from collections.abc import Mapping
from itertools import combinations
from typing import Any

import pandas as pd
import pytest

import strikewatch
from strikewatch.core import instant
from strikewatch.errors import SettingsError
from tests.detectors.recorded import faults_of, replayed
from tests.twins import same_spot
from tests.twins.same_spot import tool_tip, with_positions
from tests.twins.signals import accepted
from tests.twins.streams import ARM, ARM_POSITIONS, arm_angle_stream, columns

SEEDS = int(os.environ.get("STRIKEWATCH_SEEDS", "150")) // 3
BLOCK = 25


@pytest.mark.parametrize("first", range(0, SEEDS, BLOCK))
def test_same_spot_from_angles_agrees_with_its_twin(first: int) -> None:
    depends_on_arm = 0
    seeds = range(first, min(first + BLOCK, SEEDS))
    for seed in seeds:
        stream = arm_angle_stream(seed)
        rows = {hammer: columns(accepted(rows)) for hammer, rows in stream.rows.items()}
        found = replayed(rows, stream.events, faults_of(stream.settings))
        own, twin, without_arm = stream.settings["same_spot"], {}, {}
        for hammer, arrived in stream.rows.items():
            for settings, outcomes in ((own, twin), ({**own, "arm": None}, without_arm)):
                for r in same_spot.find(arrived, stream.events[hammer], stream.end, **settings):
                    cleared = None if r.cleared is None else instant.text(r.cleared)
                    outcomes[hammer, instant.text(r.onset)] = (cleared, r.priority, r.operator)
        core = {
            (r["hammer"], r["onset"]): (r["cleared"], r["priority"], r["operator"])
            for r in found.records
            if r["fault"] == "same_spot"
        }
        assert core == twin, f"seed {seed}"
        depends_on_arm += twin != without_arm
    assert depends_on_arm >= len(seeds) // 5, "in most of these streams the arm makes no difference"


def test_the_streams_avoid_the_radius_and_have_angles_that_expire() -> None:
    """At the radius itself, rounding would decide; and hold times must run out in some rows."""
    for angles in ("joint", "level"):
        places = [tool_tip(position, **{**ARM, "angles": angles}) for position in ARM_POSITIONS]
        assert min(abs(abs(a - b) - 0.5) for a, b in combinations(places, 2)) > 1e-6
    expired = derived = 0
    for seed in range(30):
        for rows in arm_angle_stream(seed).rows.values():
            for row in with_positions(rows, **ARM):
                has_angles = any(name.endswith("_deg") for name in row.values)
                derived += has_angles and "tool_x_m" in row.values
                expired += has_angles and "tool_x_m" not in row.values
    assert min(expired, derived) >= 200


def shift(moved: Mapping[str, float], **more: float) -> pd.DataFrame:
    """Return 40 s of firing, one row and one angle a second; at 10 s the angles in `moved` change."""
    position = {"boom_deg": 42.0, "stick_deg": -90.0, "bucket_deg": -60.0, "swing_deg": 3.0}
    table = []
    for t in range(40):
        now = position | moved if t >= 10 else position
        turn = [*now][t % 4] if t else None
        values = {name: value for name, value in now.items() if turn in (None, name)}
        table.append({"time": pd.Timestamp(t, unit="s", tz="UTC"), "hammer": "HB-01", "active": True})
        table[-1] |= values | (more if t else {})
    return pd.DataFrame(table)


def onsets_s(samples: pd.DataFrame, arm: Mapping[str, Any]) -> list[float]:
    found = strikewatch.replay(samples, settings={"hammers": {"HB-01": {"pose": dict(arm)}}})
    return [pd.Timestamp(at).timestamp() for at in found[found["fault"] == "same_spot"]["onset"]]


@pytest.mark.parametrize(
    ("moved", "known_at_s"),
    [
        ({}, None),
        ({"swing_deg": 8.0}, 11),  # 0.51 m around the carrier
        ({"swing_deg": 7.0}, None),  # 0.41 m
        ({"stick_deg": -75.0}, 13),
        ({"bucket_deg": -45.0}, 10),
        ({"boom_deg": 50.0}, 12),
    ],
)
def test_in_a_replay_a_new_spot_begins_where_the_arm_moves(
    moved: Mapping[str, float], known_at_s: int | None
) -> None:
    """The onset is 15 s after the first row that shows a move of more than 0.5 m."""
    assert onsets_s(shift(moved), ARM) == [15.0] if known_at_s is None else [known_at_s + 15.0]


def test_without_an_arm_or_with_positions_the_angles_are_not_used() -> None:
    moved = shift({"bucket_deg": -45.0})
    assert onsets_s(moved, {}) == [15.0]
    assert onsets_s(shift({"bucket_deg": -45.0}, tool_x_m=3.0, tool_y_m=4.0), ARM) == [15.0]


def test_an_arm_without_all_its_lengths_is_refused() -> None:
    with pytest.raises(
        SettingsError, match=r"pose: an arm has .*; give tool_m, boom_foot_m too, or none of them"
    ):
        onsets_s(shift({}), {"boom_m": 5.6, "stick_m": 2.7})
