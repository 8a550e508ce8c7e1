"""The unit each channel is declared in is one that UCUM and SI know; reference library pint."""

import pint
import pytest

from strikewatch.core.channels import CHANNELS

UNITS = pint.UnitRegistry()
SI = {"bar": "Pa", "Cel": "K", "rpm": "1/s", "m": "m", "deg": "rad", "1": "dimensionless"}
"""What each measures, by the SI unit of the same kind."""

SPELLED = {"Cel": "degC", "1": "dimensionless"}
"""UCUM's code where pint's name is another."""

SUFFIX = {"bar": "_bar", "Cel": "_c", "rpm": "_rpm", "m": "_m", "deg": "_deg", "1": ""}


@pytest.mark.parametrize("name", CHANNELS)
def test_a_channel_has_a_known_unit(name: str) -> None:
    unit = CHANNELS[name].unit
    assert UNITS.Unit(SPELLED.get(unit, unit)).is_compatible_with(SI[unit])
    assert name.endswith(SUFFIX[unit])
