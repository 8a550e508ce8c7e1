"""Feeds that tell the arm's angles in place of the tool's position: spots end where the arm moves."""

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
from tests.twins.jointed import ARM, STANDS, jointed
from tests.twins.knowledge import admitted
from tests.twins.pose import placed, tip
from tests.twins.streams import columns

SEEDS = int(os.environ.get("STRIKEWATCH_SEEDS", "300")) // 3
BLOCK = 25


@pytest.mark.parametrize("first", range(0, SEEDS, BLOCK))
def test_core_finds_what_a_slow_reading_finds(first: int) -> None:
    ended_by_the_arm = 0
    seeds = range(first, min(first + BLOCK, SEEDS))
    for seed in seeds:
        stream = jointed(seed)
        rows = {hammer: columns(admitted(one)) for hammer, one in stream.rows.items()}
        found = replayed(rows, stream.events, faults_of(stream.settings))
        own, twin, blind = stream.settings["same_spot"], {}, {}
        for hammer, one in stream.rows.items():
            for settings, told in ((own, twin), ({**own, "arm": None}, blind)):
                for r in same_spot.find(one, stream.events[hammer], stream.end, **settings):
                    cleared = None if r.cleared is None else instant.text(r.cleared)
                    told[hammer, instant.text(r.onset)] = (cleared, r.priority, r.operator)
        core = {
            (r["hammer"], r["onset"]): (r["cleared"], r["priority"], r["operator"])
            for r in found.records
            if r["fault"] == "same_spot"
        }
        assert core == twin, f"seed {seed}"
        ended_by_the_arm += twin != blind
    assert ended_by_the_arm >= len(seeds) // 5, "most of these streams would have passed without any arm"


def test_the_streams_stay_off_the_radius_and_have_angles_that_lapse() -> None:
    """At the radius itself two ways to add up cosines may differ; and what is known must run out now and then."""
    for angles in ("joint", "level"):
        places = [tip(stand, **{**ARM, "angles": angles}) for stand in STANDS]
        assert min(abs(abs(a - b) - 0.5) for a, b in combinations(places, 2)) > 1e-6
    lapsed = derived = 0
    for seed in range(30):
        for rows in jointed(seed).rows.values():
            for row in placed(rows, **ARM):
                some = any(name.endswith("_deg") for name in row.values)
                derived += some and "tool_x_m" in row.values
                lapsed += some and "tool_x_m" not in row.values
    assert min(lapsed, derived) >= 200


def shift(moved: Mapping[str, float], **more: float) -> pd.DataFrame:
    """40 s of firing, a row a second, the angles in turn; at 10 s some of them change."""
    stand = {"boom_deg": 42.0, "stick_deg": -90.0, "bucket_deg": -60.0, "swing_deg": 3.0}
    table = []
    for t in range(40):
        now = stand | moved if t >= 10 else stand
        turn = [*now][t % 4] if t else None
        values = {name: value for name, value in now.items() if turn in (None, name)}
        table.append({"time": pd.Timestamp(t, unit="s", tz="UTC"), "hammer": "HB-01", "active": True})
        table[-1] |= values | (more if t else {})
    return pd.DataFrame(table)


def onsets_s(samples: pd.DataFrame, arm: Mapping[str, Any]) -> list[float]:
    found = strikewatch.replay(samples, settings={"hammers": {"HB-01": {"pose": dict(arm)}}})
    return [pd.Timestamp(at).timestamp() for at in found[found["fault"] == "same_spot"]["onset"]]


@pytest.mark.parametrize(
    ("moved", "told_at_s"),
    [
        ({}, None),
        ({"swing_deg": 8.0}, 11),  # 0.51 m around the carrier
        ({"swing_deg": 7.0}, None),  # 0.41 m
        ({"stick_deg": -75.0}, 13),
        ({"bucket_deg": -45.0}, 10),
        ({"boom_deg": 50.0}, 12),
    ],
)
def test_a_replay_begins_a_new_spot_where_the_arm_moves(
    moved: Mapping[str, float], told_at_s: int | None
) -> None:
    """Fifteen seconds from the first row that tells of more than half a metre."""
    assert onsets_s(shift(moved), ARM) == [15.0] if told_at_s is None else [told_at_s + 15.0]


def test_without_the_arm_or_with_a_position_the_angles_say_nothing() -> None:
    moved = shift({"bucket_deg": -45.0})
    assert onsets_s(moved, {}) == [15.0]
    assert onsets_s(shift({"bucket_deg": -45.0}, tool_x_m=3.0, tool_y_m=4.0), ARM) == [15.0]


def test_half_an_arm_is_a_mistake_in_the_settings() -> None:
    with pytest.raises(
        SettingsError, match=r"pose: an arm has .*; give tool_m, boom_foot_m too, or none of them"
    ):
        onsets_s(shift({}), {"boom_m": 5.6, "stick_m": 2.7})
