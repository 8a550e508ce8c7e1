"""The angles of the arm are read from every format of samples."""

import json
import math
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from strikewatch.core import instant
from strikewatch.core.batch import Rows
from strikewatch.sources.decode import Samples, decode
from strikewatch.sources.recordings import open_shifts
from tests.sources.malformed import RECEIVED
from tests.sources.malformed import SAMPLES as TOPIC

ANGLES = {"boom_deg": 42.5, "stick_deg": -90.0, "bucket_deg": -60.0, "swing_deg": 183.25}
AT = instant.text(RECEIVED)

MESSAGES: dict[str, Any] = {
    "an object": {"time": AT, **ANGLES},
    "an array": [{"time": AT, **ANGLES}],
    "a block": {"time": AT, "step_s": 1.0, **{name: [deg, None] for name, deg in ANGLES.items()}},
    "SenML in degrees": [
        {"n": name, "bt": RECEIVED / 1e9, "u": "deg", "v": deg} for name, deg in ANGLES.items()
    ],
    "SenML in radians": [
        {"n": name.removesuffix("_deg"), "bt": RECEIVED / 1e9, "u": "rad", "v": math.radians(deg)}
        for name, deg in ANGLES.items()
    ],
}


def first_row(rows: Rows) -> dict[str, float]:
    return {name: column[0] for name, column in rows.columns.items()}


@pytest.mark.parametrize("form", MESSAGES)
def test_angles_in_a_message(form: str) -> None:
    decoded = decode(TOPIC, json.dumps(MESSAGES[form]).encode(), RECEIVED, "strikewatch")
    assert isinstance(decoded, Samples)
    assert not decoded.unknown
    assert first_row(decoded.rows) == pytest.approx(ANGLES, abs=1e-12)


@pytest.mark.parametrize("name", ["samples.csv", "samples.parquet"])
def test_angles_in_a_recorded_shift(name: str, tmp_path: Path) -> None:
    table = pd.DataFrame([{"time": AT, "hammer": "HB-01", **ANGLES}])
    if name.endswith(".csv"):
        table.to_csv(tmp_path / name, index=False)
    else:
        table.assign(time=pd.to_datetime(table["time"])).to_parquet(tmp_path / name)
    (shift,) = open_shifts(tmp_path)
    ((_, rows),) = shift.pieces()
    assert not shift.ignored
    assert first_row(rows) == ANGLES
