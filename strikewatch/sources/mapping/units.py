"""Units that a value may be in, and their conversion to the unit of its channel."""

import math
from collections.abc import Callable
from typing import Any, Final

from strikewatch.sources.decode.senml import UNITS as _SENML

Convert = Callable[[Any], Any]
"""A conversion of a number or of an array."""
_DEGREES: Final = 180.0 / math.pi


def same(value: Any) -> Any:
    """Return the value, which is in the channel's unit."""
    return value


UNITS: Final[dict[str, dict[str, Convert]]] = {
    "bar": {**_SENML["bar"], "mbar": lambda v: v / 1e3, "kgf/cm2": lambda v: v * 0.980665},
    "Cel": {
        **_SENML["Cel"],
        **dict.fromkeys(("°C", "degC", "C"), same),
        **dict.fromkeys(("°F", "F"), _SENML["Cel"]["degF"]),
    },
    "rpm": {**_SENML["rpm"], "r/min": same},
    "m": {**_SENML["m"], "ft": lambda v: v * 0.3048, "in": lambda v: v * 0.0254},
    "deg": {**_SENML["deg"], "rad": lambda v: v * _DEGREES, "°": same},
    "1": {**_SENML["1"], "percent": lambda v: v / 1e2},
}
"""For each channel unit, the accepted units and their conversion, of a number or an array. kgf: NIST SP 811, B.8."""
for _accepted in UNITS.values():
    _accepted.update((_name, same) for _name, _convert in _accepted.items() if _convert is float)
