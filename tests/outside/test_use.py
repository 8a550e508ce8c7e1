"""The account of use against a reference library of units."""

import pint
import pytest

from strikewatch.review.usage import MEASURES
from tests.review.test_usage import alert, amounts, frames, usage_table, worked

UNITS = pint.UnitRegistry()


@pytest.mark.parametrize(("firing_s", "hot_s"), [(1200.0, 40.0), (90.0, 90.0), (3333.3, 0.7)])
def test_hours_seconds_and_their_ratio_as_pint_has_them(firing_s: float, hot_s: float) -> None:
    """Reference library pint: an hour is 3600 s, and seconds per hour are what they are called."""
    made = frames(
        [worked("HB-01", 0, 3600, firing_s=firing_s)],
        [alert("HB-01", "hot_oil", 10, 20, firing_hot_s=hot_s)],
    )
    table = usage_table(made, 0, 3600)
    fired, hot = UNITS.Quantity(firing_s, "s"), UNITS.Quantity(hot_s, "s")
    amount, rate = amounts(table), amounts(table, "per_firing_h")
    assert amount["HB-01", "firing_h"] == pytest.approx(fired.to("hour").magnitude)
    assert amount["HB-01", "hot_firing_s"] == pytest.approx(hot.magnitude)
    assert rate["HB-01", "hot_firing_s"] == pytest.approx((hot / fired).to("s/hour").magnitude)


def test_units_are_those_that_the_names_say() -> None:
    for measure in MEASURES.values():
        ending = {"h": "_h", "s": "_s"}.get(measure.unit, "")
        assert measure.name.endswith(ending)
        assert UNITS.Unit(measure.unit if ending else "dimensionless").is_compatible_with("s") == bool(ending)
