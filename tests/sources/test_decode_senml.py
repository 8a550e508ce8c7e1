"""RFC 8428 packs."""

import json
from typing import Any

import numpy as np
import pytest

from strikewatch.core import instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import Samples, decode
from tests.sources.malformed import RECEIVED, SAMPLES


def read(pack: list[dict[str, Any]], received: int = RECEIVED) -> Samples:
    decoded = decode(SAMPLES, json.dumps(pack).encode(), received, "strikewatch")
    assert isinstance(decoded, Samples)
    return decoded


def renamed(pack: str) -> list[dict[str, Any]]:
    """The RFC's own example with its electric quantities standing in as ours: volts as bar, amperes as degrees."""
    for theirs, ours in (
        ('"u":"V"', '"u":"bar"'),
        ('"bu":"A"', '"bu":"Cel"'),
        ("voltage", "pressure"),
        ("current", "oil"),
    ):
        pack = pack.replace(theirs, ours)
    value: list[dict[str, Any]] = json.loads(pack)
    return value


MULTIPLE_DATAPOINTS = """[
 {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
 {"n":"current","t":-5,"v":1.2}, {"n":"current","t":-4,"v":1.3}, {"n":"current","t":-3,"v":1.4},
 {"n":"current","t":-2,"v":1.5}, {"n":"current","t":-1,"v":1.6}, {"n":"current","v":1.7}]"""


def test_the_example_of_rfc_8428_is_resolved_as_published() -> None:
    """Source: RFC 8428 sections 5.1.2 and 5.1.4: the example and its resolved form, to the millisecond."""
    rows = read(renamed(MULTIPLE_DATAPOINTS)).rows
    order = np.argsort(rows.time_ns)
    assert rows.time_ns[order].tolist() == [1_276_020_071_001_000_000 + i * instant.SECOND for i in range(6)]
    assert rows.columns["oil_c"][order].tolist() == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert rows.columns["pressure_bar"][order].tolist()[-1] == 120.1
    assert np.isnan(rows.columns["pressure_bar"][order][:-1]).all()


def test_unknown_names_are_reported_and_no_error() -> None:
    """Source: RFC 8428 section 5.1.2, without any known channel: no row, and both names are reported."""
    decoded = read(json.loads(MULTIPLE_DATAPOINTS))
    assert len(decoded.rows) == 0
    assert decoded.unknown == ("voltage", "current")


def test_times_below_2_to_28_are_relative_to_reception() -> None:
    """Source: RFC 8428 section 4.5.3; without any time a record is of now."""
    rows = read([{"n": "oil", "u": "Cel", "v": 60}, {"n": "oil", "u": "Cel", "t": -90.5, "v": 59}]).rows
    assert rows.time_ns.tolist() == [RECEIVED - 90_500_000_000, RECEIVED]
    with pytest.raises(Rejected, match="clock_ahead"):
        read([{"n": "oil", "u": "Cel", "t": 2**28 - 1, "v": 60}])
    assert read([{"n": "oil", "u": "Cel", "t": 2**28, "v": 60}]).rows.time_ns.tolist() == [
        2**28 * instant.SECOND
    ]


@pytest.mark.parametrize(
    ("record", "channel", "value"),
    [
        ({"n": "pressure", "u": "Pa", "v": 1.5e7}, "pressure_bar", 150.0),
        ({"n": "pressure_bar", "u": "hPa", "v": 150_000}, "pressure_bar", 150.0),
        ({"n": "pressure", "u": "kPa", "v": 15_000}, "pressure_bar", 150.0),
        ({"n": "pressure_bar", "v": 150}, "pressure_bar", 150.0),
        ({"n": "oil", "u": "K", "v": 353.15}, "oil_c", 80.0),
        ({"n": "oil_c", "u": "degF", "v": 176}, "oil_c", 80.0),
        ({"n": "oil_f", "v": 176}, "oil_c", 80.0),
        ({"n": "active", "vb": False}, "active", 0.0),
        ({"n": "active", "u": "/", "v": 1}, "active", 1.0),
        ({"n": "engine", "u": "1/min", "v": 1800}, "engine_rpm", 1800.0),
        ({"n": "tilt", "u": "rad", "v": np.pi / 12}, "tilt_deg", 15.0),
        ({"n": "boom_stroke", "u": "%", "v": 95}, "boom_stroke", 0.95),
        ({"bn": "rig/tool_x", "bu": "m", "bv": 100, "v": 2.5}, "tool_x_m", 102.5),
    ],
)
def test_names_and_units_are_mapped_to_channels(record: dict[str, Any], channel: str, value: float) -> None:
    """The channel with or without its unit; the unit given wins over the one in the name; base value added."""
    rows = read([record]).rows
    assert list(rows.columns) == [channel]
    assert rows.columns[channel].tolist() == pytest.approx([value], rel=1e-12)


def test_records_of_one_instant_become_one_row_and_base_values_carry_on() -> None:
    rows = read(
        [
            {"bn": "a:", "bt": 1_772_608_500.1},
            {"n": "active", "vb": True},
            {"n": "pressure_bar", "v": 140},
            {"n": "active", "t": 0.1, "vb": False},
        ]
    ).rows
    assert rows.time_ns.tolist() == [1_772_608_500_100_000_000, 1_772_608_500_200_000_000]
    assert rows.columns["active"].tolist() == [1.0, 0.0]


def test_only_an_unknown_label_ending_in_underscore_is_an_error() -> None:
    """Source: RFC 8428 section 4.4."""
    good = {"n": "oil", "u": "Cel", "v": 60}
    assert read([{**good, "colour": 1}]).unknown == ("colour",)
    with pytest.raises(Rejected, match=r"senml_label: \[0\].colour_"):
        read([{**good, "colour_": 1}])
