"""CAN logs: the formats, signals by DBC, and what J1939 reserves."""

import math
import struct
from collections import Counter
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import cantools
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.errors import InputError
from strikewatch.sources.hold import NO_VALUE
from strikewatch.sources.logs.candump import CandumpLog
from strikewatch.sources.logs.dbc import Database, pgn
from strikewatch.sources.logs.reader import EXTENDED, Frames
from tests.sources.logs.files import (
    BREAKER,
    CAN,
    DBC,
    EEC1,
    HYDRAULIC_PRESSURE,
    HYDRAULIC_TEMPERATURE,
    Frame,
    candump,
    engine_speed,
    machine_zone,
    read,
    source,
    values,
    write_can,
)

HB_01 = "fennick-hollow", "HB-01"
START_S = datetime(2026, 3, 4, 6, 15, tzinfo=ZoneInfo("UTC")).timestamp()

MOTOHAWK = """VERSION "1.0"
NS_ :
BS_:
BU_: PCM1 FOO
BO_ 496 ExampleMessage: 8 PCM1
 SG_ Temperature : 0|12@0- (0.01,250) [229.52|270.47] "degK" PCM1,FOO
 SG_ AverageRadius : 6|6@0+ (0.1,0) [0|5] "m" FOO
 SG_ Enable : 7|1@0+ (1,0) [0|1] "-" FOO
"""
"""The example of cantools' documentation (MIT licence), where c006e00000000000 is given as the data of
Temperature 250.55, AverageRadius 3.2 and Enable 1."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "breaker.dbc").write_text(DBC)
    return tmp_path


def log(folder: Path, frames: list[Frame], name: str = "bench.log") -> Path:
    path = folder / name
    path.write_text(candump(frames))
    return path


def one_frame(key: int, data: bytes) -> Frames:
    return Frames.of(np.zeros(1, np.int64), np.array([key]), ["can0"], [data])


@pytest.mark.parametrize(
    ("key", "data", "channel", "expected"),
    [
        # SAE J1939-71: SPN 190 0.125 rpm/bit, SPN 1638 1 degC/bit from -40, SPN 1762 2 kPa/bit (open SPN lists)
        (EEC1, bytes.fromhex("FFFFFF204EFFFFFF"), "engine_rpm", 2500.0),
        (HYDRAULIC_TEMPERATURE, bytes.fromhex("78FFFFFFFFFFFFFF"), "oil_c", 80.0),
        (HYDRAULIC_PRESSURE, struct.pack("<H6s", 7500, b"\xff" * 6), "pressure_bar", 150.0),
        (BREAKER, bytes.fromhex("FDFFFFFFFFFFFFFF"), "active", 1.0),
        (BREAKER, bytes.fromhex("FCFFFFFFFFFFFFFF"), "active", 0.0),
        # the same from other addresses, and with another priority
        (EEC1 | 0x21, bytes.fromhex("FFFFFF204EFFFFFF"), "engine_rpm", 2500.0),
        (EEC1 & 0x03FFFFFF | 6 << 26, bytes.fromhex("FFFFFF204EFFFFFF"), "engine_rpm", 2500.0),
        # the last raw values that mean something
        (EEC1, engine_speed(0xFAFF), "engine_rpm", 0xFAFF * 0.125),
        (HYDRAULIC_TEMPERATURE, bytes.fromhex("FA"), "oil_c", 210.0),
    ],
)
def test_signals_of_j1939(folder: Path, key: int, data: bytes, channel: str, expected: float) -> None:
    rows, _, _ = read(source(CAN), log(folder, [(START_S, key, data)]))
    assert values(rows[HB_01], channel) == [expected]


@pytest.mark.parametrize(
    ("key", "data", "channel"),
    [
        (EEC1, engine_speed(0xFB00), "engine_rpm"),
        (EEC1, engine_speed(0xFE00), "engine_rpm"),
        (EEC1, engine_speed(0xFFFF), "engine_rpm"),
        (HYDRAULIC_TEMPERATURE, b"\xfb", "oil_c"),
        (HYDRAULIC_TEMPERATURE, b"\xff", "oil_c"),
        (BREAKER, b"\xfe", "active"),
        (BREAKER, b"\xff", "active"),
    ],
)
def test_reserved_codes_are_no_values(folder: Path, key: int, data: bytes, channel: str) -> None:
    """A switch in error must not read as on; the row is kept, since the machine did send."""
    path = log(folder, [(START_S, key, data)])
    rows, [account], _ = read(source(CAN), path)
    assert len(rows[HB_01]) == 1
    assert values(rows[HB_01], channel) == []
    assert not account.bad_values.count
    held = {**CAN["channels"], channel: {**CAN["channels"][channel], "hold_s": 600.0}}
    rows, _, _ = read(source(CAN, channels=held), path)
    assert values(rows[HB_01], channel) == [NO_VALUE]  # it ends the hold


def test_words_of_the_dbc_may_be_named(folder: Path) -> None:
    channels = {"active": {"named": "BRK.BreakerOn", "on": ["On"], "off": ["Off"]}}
    frames = [(START_S + k, BREAKER, bytes([0xFC | k])) for k in range(4)]
    rows, [account], _ = read(source(CAN, channels=channels), log(folder, frames))
    assert rows[HB_01].columns["active"].tolist()[:2] == [0.0, 1.0]
    assert np.isnan(rows[HB_01].columns["active"][2:]).all()
    assert not account.bad_values.count


def test_where_selects_addresses_and_buses(folder: Path) -> None:
    """Frames of other addresses are passed over, and counted."""
    frames = [(START_S, EEC1, engine_speed(8000)), (START_S, EEC1 | 0x21, engine_speed(16000))]
    channels = {"engine_rpm": {"named": "EngSpeed", "where": {"@.sa": 0x21}}}
    rows, [account], _ = read(source(CAN, channels=channels), log(folder, frames))
    assert rows[HB_01].columns["engine_rpm"].tolist() == [2000.0]
    assert account.passed_over.total() == 1
    path = folder / "two.log"
    path.write_text(candump(frames[:1]) + candump(frames[1:]).replace("can0", "can1"))
    both = {"hammer": "@.bus", "hammers": {"can0": "HB-01", "can1": "east-yard/HB-01"}}
    rows, _, _ = read(source(CAN, **both), path)
    assert {key: rows[key].columns["engine_rpm"].tolist() for key in rows} == {
        HB_01: [1000.0],
        ("east-yard", "HB-01"): [2000.0],
    }


def test_multiplexed_signed_big_endian_and_float_signals(folder: Path) -> None:
    channels = {
        name: {"named": signal}
        for name, signal in (("boom_deg", "Boom"), ("swing_deg", "Swing"), ("water_m", "Water"))
    }
    frames = [
        (START_S, 0x123, struct.pack("<Bh", 1, -123)),
        (START_S + 1, 0x123, struct.pack(">Bh", 2, -456) + b"\0" + struct.pack("<f", 1.5)),
        (START_S + 2, 0x123, struct.pack(">Bh", 2, 7)),  # too short for Water
        (START_S + 3, 0x123, struct.pack("<Bh", 3, 1)),
    ]
    rows, _, _ = read(source(CAN, channels=channels), log(folder, frames))
    found = {name: values(rows[HB_01], name) for name in channels}
    assert found == {
        "boom_deg": [pytest.approx(-12.3)],
        "swing_deg": [pytest.approx(-45.6), pytest.approx(0.7)],
        "water_m": [1.5],
    }


def test_the_example_of_cantools() -> None:
    """Temperature 250.55, AverageRadius 3.2, Enable 1 (cantools' documentation, "Encoding and decoding")."""
    database = Database(list(_messages(MOTOHAWK)), "motohawk.dbc")
    [records] = database.records(one_frame(496, bytes.fromhex("c006e00000000000")), 1)
    found = {name.partition(".")[2]: float(records.columns[name][0]) for name in database.names()}  # type: ignore[arg-type]
    assert found == {"Temperature": 250.55, "AverageRadius": 3.2, "Enable": 1.0}


def _messages(text: str):  # type: ignore[no-untyped-def]
    import tempfile

    from strikewatch.sources.logs import dbc

    with tempfile.TemporaryDirectory() as made:
        path = Path(made) / "one.dbc"
        path.write_text(text)
        yield from dbc.Database.load([path]).messages


@given(st.data())
def test_signals_are_decoded_like_cantools(data: st.DataObject) -> None:
    """Any signal that fits into a frame, in a frame of random bytes (except what J1939 reserves)."""
    big = data.draw(st.booleans(), "big-endian")
    bits = data.draw(st.integers(1, 64), "bits")
    first = data.draw(st.integers(0, 64 - bits), "first bit")
    start = (
        8 * (first // 8) + 7 - first % 8 if big else first
    )  # a big-endian signal begins with its highest bit
    signed = data.draw(st.booleans(), "signed")
    scale = data.draw(st.sampled_from([1, 0.125, 2, -0.5]), "scale")
    payload = data.draw(st.binary(min_size=8, max_size=8), "payload")
    text = (
        'VERSION ""\nNS_ :\nBS_:\nBU_: A\nBO_ 1 M: 8 A\n'
        f' SG_ S : {start}|{bits}@{0 if big else 1}{"-" if signed else "+"} ({scale},3) [0|0] "" A\n'
    )
    expected = cantools.database.load_string(text, "dbc").decode_message(1, payload)["S"]  # type: ignore[union-attr,index]
    [records] = Database(list(_messages(text)), "one.dbc").records(one_frame(1, payload), 1)
    assert math.isclose(records.columns["M.S"][0], expected, rel_tol=1e-15)  # type: ignore[index]


@pytest.mark.parametrize(
    ("identifier", "number"),
    # SAE J1939-21: below PDU format 240 the low byte is a destination address, and no part of the group number
    [(0x0CF00400, 61444), (0x18FEF100, 65265), (0x18EF2103, 61184), (0x18EA00F9, 59904), (0x1CECFF00, 60416)],
)
def test_parameter_group_numbers(identifier: int, number: int) -> None:
    assert pgn(identifier) == number


FRAMES: list[Frame] = [
    *((START_S + k * 0.01, EEC1, engine_speed(8000 + k)) for k in range(50)),
    (START_S + 0.6, 0x123, b"\x01\x02"),
    (START_S + 0.7, HYDRAULIC_TEMPERATURE | 0x21, b"\x64\xff\xff"),
]


@pytest.mark.parametrize(("suffix", "zone"), [("asc", "Europe/Vienna"), ("blf", "UTC"), ("trc", "UTC")])
@pytest.mark.parametrize("machine", ["UTC", "Asia/Tokyo"])
def test_every_format_gives_what_candump_gives(folder: Path, suffix: str, zone: str, machine: str) -> None:
    """Written by python-can, ASC in the machine's zone (Vienna's, at the logger), BLF and TRC in UTC.

    The zone of the machine that converts has no influence.
    """
    path = folder / f"bench.{suffix}"
    with machine_zone("Europe/Vienna"):
        write_can(path, FRAMES)
    table = source(CAN, time={"as": "log", "zone": zone})
    with machine_zone(machine):
        rows, [account], _ = read(table, path)
    expected, [other], _ = read(table, log(folder, FRAMES))
    assert account.records == other.records == len(FRAMES)
    found, wanted = rows[HB_01], expected[HB_01]
    assert np.abs(found.time_ns - wanted.time_ns).max() <= (1_000_000 if suffix == "trc" else 2_000)
    for name, column in wanted.columns.items():
        assert np.array_equal(found.columns[name], column, equal_nan=True)


def test_what_candump_writes_beside_data_frames(folder: Path) -> None:
    path = folder / "bench.log"
    path.write_bytes(
        b"(1772604900.100000) can0 0CF00400#FFFFFF204EFFFFFF\r\n"
        b"(1772604900.2) can0 0CF00400##1FFFFFF204EFFFFFF\n"
        b"(1772604900.300000) can0 0CF00400#R\n"
        b"(1772604900.300000) can0 20000080#0000000000000000\n"
        b"\n"
        b"(1772604900.400000) can0 0CF00400#FFFFFF204EFFFF R\n"
        b"(1772604900.500000) can0 0CF00400#FFFFFF2\n"
        b"(17726049"
    )
    rows, [account], _ = read(source(CAN), path)
    assert values(rows[HB_01], "engine_rpm") == [2500.0, 2500.0, 2500.0]
    assert (rows[HB_01].time_ns - 1772604900 * SECOND).tolist() == [100_000_000, 200_000_000, 400_000_000]
    assert account.left_out.count == {"unreadable": 2}
    assert "line 7" in account.left_out.examples["unreadable"]
    assert account.passed_over == {"remote frames": 1, "error frames": 1}
    assert account.records == 7


def test_the_terminal_output_of_candump_is_read(folder: Path) -> None:
    path = folder / "shown.txt"
    path.write_text(
        " (1772604900.100000)  can0  0CF00400   [8]  FF FF FF 20 4E FF FF FF\n"
        " (1772604900.200000)  can0  123   [2]  01 02\n"
        " (1772604900.300000)  can0  0CF00400   [0]  remote request\n"
    )
    rows, [account], _ = read(source(CAN), path)
    assert values(rows[HB_01], "engine_rpm") == [2500.0]
    assert account.passed_over == {"remote frames": 1, "frames of other messages": 1}


def test_a_broken_line_costs_only_itself(folder: Path) -> None:
    """python-can's readers end at such a line."""
    path = folder / "bench.asc"
    with machine_zone("Europe/Vienna"):
        write_can(path, FRAMES)
    lines = path.read_text().splitlines(keepends=True)
    lines[20:20] = ["   0.100000 1  CF00400x       Rx   d 8 F0 7D ZZ 40 38 00 FF FF\n"]
    path.write_text("".join(lines))
    rows, [account], _ = read(source(CAN), path)
    assert len(values(rows[HB_01], "engine_rpm")) == 50
    assert account.left_out.count == {"unreadable": 1}
    assert "line 21" in account.left_out.examples["unreadable"]


def test_a_cut_blf_file_keeps_what_can_be_read(folder: Path) -> None:
    path = folder / "bench.blf"
    write_can(path, [(START_S + k * 0.001, EEC1, engine_speed(k)) for k in range(20_000)])
    path.write_bytes(path.read_bytes()[:-20_000])
    rows, [account], _ = read(source(CAN, time={"as": "log", "zone": "UTC"}), path)
    assert 0 < len(rows[HB_01]) < 20_000
    assert account.left_out.count["damaged"] == 1


@given(cut=st.integers(1, 400))
def test_parts_do_not_matter(cut: int) -> None:
    """Whatever the size of the parts that are read, the frames are the same."""
    import tempfile

    from strikewatch.sources.logs import candump as module

    with tempfile.TemporaryDirectory() as made, pytest.MonkeyPatch.context() as patch:
        path = Path(made) / "bench.log"
        path.write_text(candump(FRAMES))
        patch.setattr(module, "CHUNK_BYTES", cut)
        frames = [
            (int(at), int(key))
            for part in CandumpLog(path).chunks()
            for at, key in zip(part.time_ns, part.key, strict=True)
        ]
    assert frames == [
        (round(at * 1e6) * 1000, key | (EXTENDED if key > 0x7FF else 0)) for at, key, _ in FRAMES
    ]


def undated(folder: Path) -> Path:
    path = folder / "zero.log"
    path.write_text(candump([(at - START_S, key, data) for at, key, data in FRAMES]))
    return path


def test_a_log_without_a_date_needs_its_start(folder: Path) -> None:
    with pytest.raises(InputError, match=r"zero\.log: has no date.* --start 2026"):
        read(source(CAN), undated(folder))
    start = instant.parse("2026-03-04T07:15:00+01:00")
    rows, _, _ = read(source(CAN), undated(folder), start=start)
    assert rows[HB_01].time_ns[0] == start
    with pytest.raises(InputError, match="one by one"):
        read(source(CAN), undated(folder), undated(folder), start=start)


def test_a_wrong_clock_is_corrected_by_the_start(folder: Path) -> None:
    start = instant.parse("2026-07-04T07:15:00+02:00")
    rows, _, _ = read(source(CAN), log(folder, FRAMES), start=start)
    assert rows[HB_01].time_ns[[0, 1]].tolist() == [start, start + 10_000_000]


@pytest.mark.parametrize(
    ("local", "expected"),
    [
        ("Sun Oct 25 02:30:00 2026", "occurs twice in Europe/Vienna"),
        ("Sun Mar 29 02:30:00 2026", "does not exist in Europe/Vienna"),
    ],
)
def test_a_start_that_is_not_clear_is_refused(folder: Path, local: str, expected: str) -> None:
    path = folder / "bench.asc"
    path.write_text(
        f"date {local}\nbase hex  timestamps absolute\n"
        "   0.100000 1  CF00400x       Rx   d 8 FF FF FF 20 4E FF FF FF\n"
    )
    with pytest.raises(InputError, match=expected):
        read(source(CAN), path)
    rows, _, _ = read(source(CAN), path, start=instant.parse("2026-10-25T02:30:00+02:00"))
    assert rows[HB_01].time_ns.tolist() == [instant.parse("2026-10-25T00:30:00.1Z")]


def test_local_logs_need_a_zone(folder: Path) -> None:
    path = folder / "bench.blf"
    write_can(path, FRAMES)
    with pytest.raises(InputError, match='zone = "Europe/Vienna"'):
        read(source(CAN, time={"as": "log"}), path)


def test_a_dbc_that_does_not_fit_is_refused_with_what_was_seen(folder: Path) -> None:
    path = log(folder, [(START_S, 0x18F00900, b"\1"), (START_S, 0x18F00900, b"\1"), (START_S, 0x7, b"\1")])
    channels = {"pressure_bar": {"named": "HydPressure"}}
    _, _, logs = read(source(CAN, channels=channels), path)
    with pytest.raises(InputError) as refused:
        logs.check()
    assert "no frame of HPG 0x18F008FE (PGN 61448" in str(refused.value)
    assert "0x18F00900 (PGN 61449, address 0x00) 2 times" in str(refused.value)


def test_a_dbc_that_does_not_say_j1939_is_told_apart(folder: Path) -> None:
    (folder / "breaker.dbc").write_text(DBC.replace(" 3;", " 1;"))
    path = log(folder, FRAMES)
    channels = {"engine_rpm": {"named": "EngSpeed"}}
    _, _, logs = read(source(CAN, channels=channels), path)
    with pytest.raises(InputError, match="set j1939 = true"):
        logs.check()
    rows, _, logs = read(source(CAN, channels=channels, j1939=True), path)
    assert logs.check() == []
    assert len(values(rows[HB_01], "engine_rpm")) == 50


@pytest.mark.parametrize(
    ("named", "expected"),
    [
        ("EngSped", "no signal `EngSped` for engine_rpm; did you mean EngSpeed"),
        ("{x}.EngSpeed", None),
        ("HPG.EngSpeed", "no signal `HPG.EngSpeed`"),
    ],
)
def test_a_signal_that_is_not_there(folder: Path, named: str, expected: str | None) -> None:
    table = source(CAN, channels={"engine_rpm": {"named": named}})
    if expected is None:
        rows, _, _ = read(table, log(folder, FRAMES))
        assert len(values(rows[HB_01], "engine_rpm")) == 50
        return
    with pytest.raises(InputError) as refused:
        read(table, log(folder, FRAMES))
    assert expected in str(refused.value)


def test_a_unit_that_does_not_fit_is_refused(folder: Path) -> None:
    with pytest.raises(InputError, match=r"the unit 'kPa', which does not fit oil_c; set `unit` to one of"):
        read(
            source(CAN, channels={"oil_c": {"named": "HydPressure"}}),
            log(folder, [(START_S, HYDRAULIC_PRESSURE, b"\1\1")]),
        )


def test_names_in_two_messages_must_be_qualified(folder: Path) -> None:
    (folder / "breaker.dbc").write_text(DBC.replace("SG_ Kind M", "SG_ EngSpeed M"))
    with pytest.raises(
        InputError, match=r"matches several signals; name one of EEC1\.EngSpeed, Cab\.EngSpeed"
    ):
        read(source(CAN), log(folder, FRAMES))


@pytest.mark.parametrize("content", [b"", b"time;p\n1;2\n", b"\0" * 5000, b"(" + b"1" * 100_000])
def test_a_foreign_file_is_refused(folder: Path, content: bytes) -> None:
    path = folder / "bench.log"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"bench\.log: (neither ASC|the file is empty)"):
        read(source(CAN), path)


def test_a_packed_log_is_read(folder: Path) -> None:
    import gzip

    path = folder / "bench.log.gz"
    path.write_bytes(gzip.compress(candump(FRAMES).encode()))
    rows, _, _ = read(source(CAN), path)
    assert len(values(rows[HB_01], "engine_rpm")) == 50
    path.write_bytes(path.read_bytes()[:-30])
    with pytest.raises(InputError, match="cannot be read"):
        read(source(CAN), path)


def test_unused_frames_are_counted(folder: Path) -> None:
    _, [account], _ = read(source(CAN), log(folder, FRAMES))
    assert account.passed_over == Counter({"frames of other messages": 1})
    assert math.isclose(account.values["engine_rpm"], 50)
