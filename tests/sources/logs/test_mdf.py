"""Measurement files, written by asammdf with known values."""

import struct
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import asammdf
import numpy as np
import pytest

from strikewatch.core import instant
from strikewatch.errors import InputError
from tests.sources.logs.files import CAN, DBC, EEC1, TABLE, engine_speed, read, source, values

HB_01 = "fennick-hollow", "HB-01"
BENCH = {
    **TABLE,
    "file": "*.mf4",
    "time": {"as": "log", "zone": "Europe/Vienna"},
    "channels": {
        "pressure_bar": {"named": "HydPressure"},
        "oil_c": {"named": "OilTemp"},
        "active": {"named": "Hammer", "on": ["ON"], "off": ["OFF"]},
    },
}
LOCAL = datetime(2026, 3, 4, 7, 15)  # noqa: DTZ001  # on the logger's clock


def bench(folder: Path, start: datetime, *, version: str = "4.10", twice: bool = False) -> Path:
    """Write pressures in kPa at 10 Hz and oil temperatures in °F at 1 Hz, in two groups."""
    path = folder / ("bench.mf4" if version >= "4" else "bench.mdf")
    fast, slow = np.arange(20) / 10, np.arange(2) + 0.05
    with asammdf.MDF(version=version) as file:  # type: ignore[arg-type]
        file.start_time = start
        file.append(
            [
                asammdf.Signal(np.arange(20) * 100.0, fast, name="HydPressure", unit="kPa"),
                asammdf.Signal(np.array([b"ON", b"OFF"] * 10), fast, name="Hammer", encoding="utf-8"),
            ],
            acq_name="fast",
        )
        name = "HydPressure" if twice else "OilTemp"
        file.append([asammdf.Signal(np.array([100, 120], "u1"), slow, name=name, unit="°F")], acq_name="slow")
        file.save(path)
    return path


@pytest.mark.parametrize(
    ("start", "version"),
    [
        (LOCAL, "4.10"),
        (datetime(2026, 3, 4, 6, 15, tzinfo=UTC), "4.10"),
        (LOCAL, "3.30"),
        (datetime(2026, 3, 4, 8, 15, tzinfo=timezone(timedelta(hours=2))), "4.11"),
    ],
)
def test_signals_with_their_units_and_times(tmp_path: Path, start: datetime, version: str) -> None:
    """A start without an offset is local to the zone of the source; units are those of the file."""
    rows, [account], _ = read(source(BENCH), bench(tmp_path, start, version=version))
    found = rows[HB_01]
    assert values(found, "pressure_bar") == pytest.approx([k * 1.0 for k in range(20)])
    assert values(found, "active") == [1.0, 0.0] * 10
    assert values(found, "oil_c") == pytest.approx([(100 - 32) / 1.8, (120 - 32) / 1.8])
    begin = instant.parse("2026-03-04T06:15:00Z")
    assert found.time_ns[:20].tolist() == [begin + k * 100_000_000 for k in range(20)]
    assert found.time_ns[20:].tolist() == [begin + 50_000_000, begin + 1_050_000_000]
    assert account.records == 22


def test_a_local_start_needs_a_zone(tmp_path: Path) -> None:
    path = bench(tmp_path, LOCAL)
    with pytest.raises(InputError, match='zone = "Europe/Vienna"'):
        read(source(BENCH, time={"as": "log"}), path)
    start = instant.parse("2026-05-04T07:15:00Z")
    rows, _, _ = read(source(BENCH, time={"as": "log"}), path, start=start)
    assert rows[HB_01].time_ns[0] == start


@pytest.mark.parametrize(
    ("channels", "expected"),
    [
        ({"oil_c": {"named": "OilTmp"}}, "no signal `OilTmp` for oil_c; did you mean OilTemp?"),
        ({"oil_c": "@.OilTemp"}, "has no columns, so @.OilTemp names nothing; use `named`"),
        ({"oil_c": {"named": "HydPressure"}}, "the unit 'kPa', which does not fit oil_c"),
    ],
)
def test_mistakes_are_refused_with_a_remedy(tmp_path: Path, channels: dict[str, Any], expected: str) -> None:
    with pytest.raises(InputError) as refused:
        read(source(BENCH, channels=channels), bench(tmp_path, LOCAL))
    assert expected in str(refused.value)


def test_a_name_in_two_groups_must_be_qualified(tmp_path: Path) -> None:
    path = bench(tmp_path, LOCAL, twice=True)
    channels = {"pressure_bar": {"named": "HydPressure"}}
    with pytest.raises(
        InputError, match=r"matches several signals; name one of fast\.HydPressure, slow\.HydPressure"
    ):
        read(source(BENCH, channels=channels), path)
    rows, _, _ = read(source(BENCH, channels={"pressure_bar": {"named": "fast.HydPressure"}}), path)
    assert len(values(rows[HB_01], "pressure_bar")) == 20


def test_invalid_samples_are_no_values(tmp_path: Path) -> None:
    path = tmp_path / "bench.mf4"
    bits = np.array([False, True, False])
    with asammdf.MDF(version="4.10") as file:
        file.start_time = LOCAL
        signal = asammdf.Signal(
            np.array([1.0, 2.0, np.inf]), np.arange(3.0), name="HydPressure", invalidation_bits=bits
        )
        file.append([signal])
        file.save(path)
    channels = {"pressure_bar": {"named": "HydPressure"}}
    rows, _, _ = read(source(BENCH, channels=channels), path)
    assert values(rows[HB_01], "pressure_bar") == [1.0]
    assert len(rows[HB_01]) == 3


def test_recorded_can_frames(tmp_path: Path) -> None:
    """Bus logging (ASAM MDF): frames in a group of their own, decoded by the DBC."""
    (tmp_path / "breaker.dbc").write_text(DBC)
    path = tmp_path / "bus.mf4"
    n = 5
    kind = np.dtype(
        [
            ("CAN_DataFrame.BusChannel", "u1"),
            ("CAN_DataFrame.ID", "<u4"),
            ("CAN_DataFrame.IDE", "u1"),
            ("CAN_DataFrame.DataLength", "u1"),
            ("CAN_DataFrame.DataBytes", "(8,)u1"),
        ]
    )
    frames = np.zeros(n, kind)
    frames["CAN_DataFrame.BusChannel"] = 1
    frames["CAN_DataFrame.ID"] = EEC1
    frames["CAN_DataFrame.IDE"] = 1
    frames["CAN_DataFrame.DataLength"] = 8
    for k in range(n):
        frames["CAN_DataFrame.DataBytes"][k] = np.frombuffer(engine_speed(8000 + 8 * k), "u1")
    with asammdf.MDF(version="4.10") as file:
        file.start_time = LOCAL
        file.append([asammdf.Signal(frames, np.arange(n) / 10, name="CAN_DataFrame")])
        file.save(path)
    channels = {"engine_rpm": {"named": "EngSpeed", "where": {"@.bus": "1"}}}
    rows, [account], _ = read(source(CAN, channels=channels), path)
    assert values(rows[HB_01], "engine_rpm") == [1000.0 + k for k in range(n)]
    assert account.records == n
    with pytest.raises(InputError, match='payload = "table"'):
        read(source(CAN, channels=channels), bench(tmp_path, LOCAL))


@pytest.mark.parametrize("length", [64, 70, 100, 200, 1000])
def test_a_damaged_file_is_refused(tmp_path: Path, length: int) -> None:
    path = bench(tmp_path, LOCAL)
    path.write_bytes(path.read_bytes()[:length])
    with pytest.raises(InputError, match="not an MDF file that can be read"):
        read(source(BENCH), path)


def test_a_source_must_fit_the_format(tmp_path: Path) -> None:
    """A measurement file has times of its own, a table has a column of them."""
    with pytest.raises(InputError, match=r"set time = \{ as = \"log\" \}"):
        read(source(BENCH, time={"at": "@.time", "as": "s"}), bench(tmp_path, LOCAL))
    (tmp_path / "shift.csv").write_text("time,p\n")
    with pytest.raises(InputError, match="name its column of times"):
        read(source(TABLE, time={"as": "log"}), tmp_path / "shift.csv")


@pytest.mark.parametrize(
    ("version", "head", "link", "lists"), [("4.10", 24, "<Q", (0, 1, 1)), ("3.30", 4, "<I", (0, 1, 1))]
)
def test_a_file_whose_blocks_form_a_circle_is_refused_not_followed_for_ever(
    tmp_path: Path, version: str, head: int, link: str, lists: tuple[int, ...]
) -> None:
    """asammdf follows such a list without end: of data groups, channel groups or channels."""
    whole = bench(tmp_path, LOCAL, version=version).read_bytes()
    at = 64
    for down in lists:
        [at] = struct.unpack_from(link, whole, at + head + struct.calcsize(link) * down)
        broken = bytearray(whole)
        struct.pack_into(link, broken, at + head, at)  # the next of the list is itself
        path = tmp_path / "circle.mf4"
        path.write_bytes(broken)
        with pytest.raises(InputError, match=rf"block at byte {at:,} is linked twice"):
            read(source(BENCH), path)
