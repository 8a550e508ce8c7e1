"""The twins of the misuse faults against answers worked out by hand from their definitions."""

import math
from typing import Any

from strikewatch.core.instant import SECOND, seconds
from tests.twins import misuse
from tests.twins.signals import Row, firing_rows, row, summaries


def found(rows: list[Row], end_s: float, **settings: Any) -> list[Any]:
    rows = sorted(rows, key=lambda row: row.time_ns)
    return summaries(misuse.find(rows, (), seconds(end_s), **settings))


def with_values(rows: list[Row], at: int, **values: float) -> list[Row]:
    """Return the rows with more values in the row at a second."""
    return [Row(r.time_ns, {**r.values, **values}) if r.time_ns == at * SECOND else r for r in rows]


def test_a_value_counts_while_it_is_known_and_the_hammer_fires() -> None:
    # 46 degrees from 5 s, known to 15 s: [5, 15) of firing counts; 3 s at 8 s; over at 15 s, known at 17 s.
    rows = with_values(with_values(firing_rows(0, 20), 0, swing_deg=45.0), 5, swing_deg=46.0)
    assert found(rows, 17) == [("over_side", 8.0, 15.0, "medium")]
    assert found(rows, 16.9) == [("over_side", 8.0, None, "medium")]
    assert misuse.find(rows, (), 17 * SECOND)[0].evidence == {
        "firing_over_side_s": 10.0,
        "from_track_max_deg": 46.0,
    }
    assert misuse.find(rows, (), 10 * SECOND)[0].evidence["firing_over_side_s"] == 5.0
    assert found(with_values(rows, 8, swing_deg=0.0), 20) == [("over_side", 8.0, 8.0, "medium")]
    assert found(with_values(rows, 7, swing_deg=0.0), 20) == []


def test_the_angle_to_the_track_line_counts_from_its_nearer_end() -> None:
    degrees = (0, 45, 46, 90, 134, 135, 180, 225, 270, 315, 360, -45, -46, -90, -200)
    angles = [0, 45, 46, 90, 46, 45, 0, 45, 90, 45, 0, 45, 46, 90, 20]
    assert [misuse.from_track(swing) for swing in degrees] == angles


def test_a_pause_of_two_seconds_ends_a_spell() -> None:
    # Tilted all along. [0, 1) and [2.9, 4): one spell, 2 s at 3.9 s. With [3, 4): two of one second.
    short_pause = [
        row(0, active=1.0, tilt_deg=-15.5),
        row(1, active=0.0),
        row(2.9, active=1.0),
        row(4, active=0.0),
    ]
    assert found(short_pause, 6) == [("off_square", 3.9, 4.0, "medium")]
    long_pause = [*short_pause[:2], row(3, active=1.0), row(4, active=0.0)]
    assert found(long_pause, 9) == []
    assert found(long_pause, 9, off_square={"limit_s": 1.0}) == [
        ("off_square", 1.0, 1.0, "medium"),
        ("off_square", 4.0, 4.0, "medium"),
    ]
    assert found([r._replace(values={**r.values, "tilt_deg": 15.0}) for r in short_pause], 9) == []


def test_limits_are_compared_as_decimals() -> None:
    # 90 % of 2,000 rpm are 1,800 rpm; 0.95 and 0.05 are within 5 % of an end.
    slow = {"low_engine_speed": {"rated_rpm": 2000.0}}
    for rpm, expected in (
        (1800.0, []),
        (math.nextafter(1800.0, 0.0), [("low_engine_speed", 5.0, 6.0, "medium")]),
    ):
        assert found(with_values(firing_rows(0, 6), 0, engine_rpm=rpm), 8, **slow) == expected
    for stroke, expected in (
        (0.05, [("end_of_stroke", 1.0, 4.0, "medium")]),
        (0.95, [("end_of_stroke", 1.0, 4.0, "medium")]),
        (math.nextafter(0.95, 0.0), []),
        (math.nextafter(0.05, 1.0), []),
    ):
        assert found(with_values(firing_rows(0, 4), 0, boom_stroke=stroke), 6) == expected


def test_several_cylinders_at_their_ends_in_turn_are_one_spell() -> None:
    # The stick's end [0, 0.5), the bucket's [0.5, 1), both at once [2, 2.4): 1 s at 1 s.
    rows = [
        row(0, active=1.0, stick_stroke=1.0, boom_stroke=0.5),
        row(0.5, stick_stroke=0.5, bucket_stroke=0.0),
        row(1, active=1.0, bucket_stroke=0.5),
        row(2, active=1.0, stick_stroke=0.0, bucket_stroke=1.0),
        row(2.4, active=0.0),
    ]
    assert found(rows, 5) == [("end_of_stroke", 1.0, 2.4, "medium")]
    assert misuse.find(rows, (), 5 * SECOND)[0].evidence == {
        "firing_end_s": 1.4,
        "cylinders": "stick bucket",
    }


def test_prying_needs_no_firing_and_any_pause_ends_it() -> None:
    # Above from 1 s, known to 3 s; 90 bar at 2 s goes on; at 4 s for 0.4 s only.
    rows = [row(1, side_load_bar=81.0), row(2, side_load_bar=90.0), row(2.5, side_load_bar=80.0)]
    rows += [row(4, side_load_bar=81.0), row(4.4, side_load_bar=0.0)]
    assert found(rows, 9) == []
    assert found(rows, 2.5, prying={"limit_bar": 80.0}) == [("prying", 1.5, 2.5, "medium")]
    assert found(rows, 9, prying={"limit_bar": 80.0, "pause_s": 1.6}) == [("prying", 1.5, 4.4, "medium")]
    evidence = misuse.find(rows, (), 9 * SECOND, prying={"limit_bar": 80.0})[0].evidence
    assert evidence == {"pried_s": 1.5, "side_load_max_bar": 90.0}


def test_submerged_is_raised_at_the_first_instant() -> None:
    rows = [row(0, water_m=0.1), *firing_rows(5, 6), row(8, active=1.0, water_m=0.0)]
    assert found(rows, 5) == [("submerged", 5.0, None, "medium")]
    assert found(rows, 8) == [("submerged", 5.0, 6.0, "medium")]
    assert found(rows, 8, submerged={"fitted_for_water": True}) == []


def test_feed_force_has_a_lower_and_an_upper_limit() -> None:
    rows = with_values(
        with_values(with_values(firing_rows(0, 8), 0, feed_bar=50.0), 2, feed_bar=49.0), 4, feed_bar=91.0
    )
    rows = with_values(rows, 6, feed_bar=90.0)
    band = {"low_bar": 50.0, "high_bar": 90.0}
    assert found(rows, 9) == []
    assert found(rows, 9, feed_force=band) == [("feed_force", 5.0, 6.0, "medium")]
    assert found(rows, 9, feed_force={**band, "low_bar": None}) == []
    assert misuse.find(rows, (), 9 * SECOND, feed_force=band)[0].evidence == {
        "firing_off_band_s": 4.0,
        "feed_min_bar": 49.0,
        "feed_max_bar": 91.0,
    }


# Grouped alerts.


def test_a_second_cause_joins_the_alert_which_ends_with_its_last_cause() -> None:
    # Stroke at an end [0, 4): raised at 1 s. Tilted [3, 8): raised at 5 s, while the first is over but its end
    # not decided until 6 s. The alert ends with the tilt, at 8 s, which is known at 10 s.
    rows = with_values(with_values(firing_rows(0, 12), 0, boom_stroke=1.0), 4, boom_stroke=0.5)
    rows = with_values(with_values(rows, 3, tilt_deg=20.0), 8, tilt_deg=0.0)
    assert found(rows, 9.9) == [("end_of_stroke", 1.0, None, "medium")]
    assert found(rows, 10) == [("end_of_stroke", 1.0, 8.0, "medium")]
    assert misuse.find(rows, (), 10 * SECOND)[0].evidence == {
        "firing_end_s": 4.0,
        "cylinders": "boom",
        "firing_off_square_s": 5.0,
        "tilt_max_deg": 20.0,
        "causes": "end_of_stroke off_square",
    }
    # Tilted a second later it is raised at 6 s, when the first one's end has just been decided: two alerts.
    later = with_values(with_values(with_values(rows, 3, tilt_deg=0.0), 4, tilt_deg=20.0), 8, tilt_deg=0.0)
    assert found(later, 12) == [("end_of_stroke", 1.0, 4.0, "medium"), ("off_square", 6.0, 8.0, "medium")]


def test_of_causes_raised_at_one_instant_the_first_of_the_three_names_the_alert() -> None:
    # Over the side from 0 s (3 s at 3 s), tilted from 1 s (2 s at 3 s), both to 5 s.
    rows = with_values(with_values(firing_rows(0, 5), 0, swing_deg=90.0), 1, tilt_deg=30.0)
    assert found(rows, 7) == [("over_side", 3.0, 5.0, "medium")]
    assert misuse.find(rows, (), 7 * SECOND)[0].evidence["causes"] == "over_side off_square"


def test_two_spells_of_one_cause_are_listed_once() -> None:
    # Tilted [0, 3) and [6, 9): two spells; over the side [1, 9) keeps the alert active.
    rows = with_values(
        with_values(with_values(firing_rows(0, 9), 0, tilt_deg=20.0), 3, tilt_deg=0.0), 6, tilt_deg=30.0
    )
    rows = with_values(rows, 1, swing_deg=90.0)
    assert found(rows, 11) == [("off_square", 2.0, 9.0, "medium")]
    assert misuse.find(rows, (), 11 * SECOND)[0].evidence == {
        "firing_off_square_s": 6.0,
        "tilt_max_deg": 30.0,
        "firing_over_side_s": 8.0,
        "from_track_max_deg": 90.0,
        "causes": "over_side off_square",
    }


def test_without_a_pause_a_spell_is_raised_before_it_ends() -> None:
    # Both last one second, with a limit of one second and no pause: raised and over at 1 s, one alert.
    rows = with_values(
        with_values(firing_rows(0, 3), 0, swing_deg=90.0, tilt_deg=20.0), 1, swing_deg=0.0, tilt_deg=0.0
    )
    short = {"limit_s": 1.0, "pause_s": 0.0}
    assert found(rows, 3, over_side=short, off_square=short) == [("over_side", 1.0, 1.0, "medium")]
