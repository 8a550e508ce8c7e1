"""Units and ranges against published values and reference libraries."""

import numpy as np
import pint
import pytest

from strikewatch.core import instant
from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.review.usage import MEASURES
from strikewatch.sources.decode import decode
from tests.detectors.recorded import is_impossible, records_by_fault, rows_of
from tests.review.test_usage import alert, amounts, frames, usage_table, worked

UNITS = pint.UnitRegistry()


@pytest.mark.parametrize("psi", [0.0, 14.503773773, 2175.566066, 5000.0])
def test_psi_to_bar_agrees_with_pint(psi: float) -> None:
    """NIST SP 811: 1 bar = 14.503773773 psi; reference library pint."""
    expected = UNITS.Quantity(psi, "psi").to("bar").magnitude
    assert ALIASES["pressure_psi"][1](psi) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("fahrenheit", [-40.0, 32.0, 176.0, 212.0])
def test_fahrenheit_to_celsius_agrees_with_pint(fahrenheit: float) -> None:
    """176 degF is 80 degC exactly (by the definition of the scales); reference library pint."""
    expected = UNITS.Quantity(fahrenheit, "degF").to("degC").magnitude
    assert ALIASES["oil_f"][1](fahrenheit) == pytest.approx(expected, abs=1e-9)
    assert ALIASES["oil_f"][1](176.0) == 80.0


def test_megapascal_and_pascal() -> None:
    """1 bar = 100 kPa, by definition."""
    assert ALIASES["pressure_mpa"][1](15.0) == 150.0
    assert ALIASES["pressure_pa"][1](15_000_000.0) == 150.0


@pytest.mark.parametrize(
    ("text", "unix"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397.0),
        ("1990-12-31T23:59:60Z", 662688000.0),
    ],
)
def test_rfc_3339_examples(text: str, unix: float) -> None:
    """RFC 3339, section 5.8; the leap second is the first instant of the next minute."""
    assert instant.parse(text) == round(unix * 1e9)


@pytest.mark.parametrize(
    "text",
    ["2026-03-04T07:15:00", "2026-03-04", "1614265330", "2026-02-30T00:00:00Z", "2026-03-04T25:00:00Z"],
)
def test_times_that_rfc_3339_does_not_allow_are_refused(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 - any of them
        instant.parse(text)


@pytest.mark.parametrize(
    ("channel", "raw", "per_bit", "offset"),
    [
        ("oil_c", 0xFE, 1.0, -40.0),
        ("oil_c", 0xFF, 1.0, -40.0),
        ("engine_rpm", 0xFE00, 0.125, 0.0),
        ("engine_rpm", 0xFFFF, 0.125, 0.0),
        ("pressure_bar", 0xFE00, 0.02, 0.0),
        ("pressure_bar", 0xFFFF, 0.02, 0.0),
    ],
)
def test_j1939_error_and_not_available_codes_are_no_values(
    channel: str, raw: int, per_bit: float, offset: float
) -> None:
    """SAE J1939-71 scalings of SPN 1638, 190 and 1762 (open lists): codes 0xFE.. and 0xFF.. are never a value."""
    assert is_impossible(channel, raw * per_bit + offset)


def test_j1939_values_are_values() -> None:
    """`20 4E` is 2500 rpm, 0x78 is 80 degC, 7500 is 150 bar (SAE J1939-71, open SPN lists)."""
    for channel, value in (
        ("engine_rpm", 0x4E20 * 0.125),
        ("oil_c", 0x78 - 40.0),
        ("pressure_bar", 7500 * 0.02),
    ):
        assert not is_impossible(channel, value)
    assert 0x4E20 * 0.125 == 2500.0


def test_oil_at_0x78_is_exactly_80_and_not_hot() -> None:
    """80 degC is the limit itself; hot is above it."""
    n = 200
    rows = rows_of(n, active=np.ones(n), oil_c=np.full(n, 0x78 - 40.0))
    assert "hot_oil" not in records_by_fault(rows)
    rows = rows_of(n, active=np.ones(n), oil_c=np.full(n, 0x79 - 40.0))
    assert "hot_oil" in records_by_fault(rows)


@pytest.mark.parametrize("milliampere", [3.8, 4.0, 12.0, 20.0, 20.5])
def test_a_loop_in_its_signal_range_is_a_possible_pressure(milliampere: float) -> None:
    """NAMUR NE 43 on 0-400 bar: valid from 3.8 to 20.5 mA; a broken wire (0 mA) reads -100 bar."""
    bar = (milliampere - 4.0) / 16.0 * 400.0
    assert not is_impossible("pressure_bar", bar)
    assert is_impossible("pressure_bar", -100.0)


def test_senml_of_rfc_8428_units() -> None:
    """RFC 8428 section 12.1: Pa and Cel; a pack of one hammer's pressure and oil."""
    pack = b'[{"bn":"hb:","bt":1.76e9,"n":"pressure","u":"Pa","v":1.5e7},{"n":"oil","u":"Cel","v":61.2}]'
    decoded = decode("strikewatch/fennick-hollow/HB-03/samples", pack, 1_760_000_010 * 10**9, "strikewatch")
    assert {n: c.tolist() for n, c in decoded.rows.columns.items()} == {  # type: ignore[union-attr]
        "pressure_bar": [150.0],
        "oil_c": [61.2],
    }


UNITS = pint.UnitRegistry()
SI = {"bar": "Pa", "Cel": "K", "rpm": "1/s", "m": "m", "deg": "rad", "1": "dimensionless"}
"""What each measures, by the SI unit of the same kind."""

SPELLED = {"Cel": "degC", "1": "dimensionless"}
"""UCUM's code where pint's name is another."""

SUFFIX = {"bar": "_bar", "Cel": "_c", "rpm": "_rpm", "m": "_m", "deg": "_deg", "1": ""}


@pytest.mark.parametrize("name", CHANNELS)
def test_each_channel_has_a_unit_known_to_ucum_and_si(name: str) -> None:
    unit = CHANNELS[name].unit
    assert UNITS.Unit(SPELLED.get(unit, unit)).is_compatible_with(SI[unit])
    assert name.endswith(SUFFIX[unit])


UNITS = pint.UnitRegistry()


@pytest.mark.parametrize(("firing_s", "hot_s"), [(1200.0, 40.0), (90.0, 90.0), (3333.3, 0.7)])
def test_hours_seconds_and_rates_of_usage_agree_with_pint(firing_s: float, hot_s: float) -> None:
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


def test_units_of_measures_are_those_in_their_names() -> None:
    for measure in MEASURES.values():
        ending = {"h": "_h", "s": "_s"}.get(measure.unit, "")
        assert measure.name.endswith(ending)
        assert UNITS.Unit(measure.unit if ending else "dimensionless").is_compatible_with("s") == bool(ending)
