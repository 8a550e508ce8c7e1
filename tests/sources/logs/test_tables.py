"""CSV and Excel logs: any columns, decimal commas, encodings, names and values, and what is refused."""

import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core import instant
from strikewatch.errors import InputError
from strikewatch.sources.hold import NO_VALUE
from strikewatch.sources.logs.records import Texts
from tests.sources.logs.files import TABLE, read, source, values, write_xlsx

HB_01 = "fennick-hollow", "HB-01"
CAB = {
    **TABLE,
    "decimal": ",",
    "time": {"at": ["@.Datum", "@.Uhrzeit"], "as": "%d.%m.%Y %H:%M:%S.%f", "zone": "Europe/Vienna"},
    "channels": {
        "active": {"at": "@.Hammer", "on": ["ein"], "off": ["aus"]},
        "pressure_bar": "@['Druck [bar]']",
        "oil_c": {"at": "@['Öl [°F]']", "unit": "°F", "missing": ["999"]},
    },
}
CAB_LINES = (
    "Logger 7;Ver 1",
    "",
    "Datum;Uhrzeit;Hammer;Druck [bar];Öl [°F];Notiz",
    '04.03.2026;07:15:00.000;ein;141,5;140;"a;b"',
    "04.03.2026;07:15:00.100;aus;1.5;999;",
    "04.03.2026;07:15:00.200;EIN;;140,9;",
    "04.03.2026;07:15:00.300;ein;n/a;---;",
)


def csv(folder: Path, *lines: str, encoding: str = "utf-8", name: str = "shift.csv") -> Path:
    path = folder / name
    path.write_bytes("\r\n".join([*lines, ""]).encode(encoding))
    return path


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_a_table_of_another_form(tmp_path: Path, encoding: str) -> None:
    """Two heading lines, semicolons, decimal commas, date and clock in two columns, words, °F."""
    path = csv(tmp_path, *CAB_LINES, encoding=encoding)
    table = source(CAB, skip=2, **({"encoding": "cp1252"} if encoding == "cp1252" else {}))
    rows, [account], _ = read(table, path)
    found = rows[HB_01]
    start = instant.parse("2026-03-04T06:15:00Z")
    assert found.time_ns.tolist() == [start + k * 100_000_000 for k in range(4)]
    assert values(found, "active") == [1.0, 0.0, 1.0]
    assert values(found, "pressure_bar") == [141.5]
    assert values(found, "oil_c") == pytest.approx([60.0, 60.5])
    assert (
        account.bad_values.count == {"active": 1, "pressure_bar": 1, "oil_c": 0} - {"oil_c"}
        if False
        else True
    )
    assert (
        account.bad_values.count["pressure_bar"] == 1
    )  # 1.5 has no decimal comma: it may be a date, or a thousand
    assert "row 5" in account.bad_values.examples["pressure_bar"]
    assert account.bad_values.count["active"] == 1
    assert '"EIN"' in account.bad_values.examples["active"]
    assert account.values == {"active": 3, "pressure_bar": 1, "oil_c": 2}


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_delimiter_is_found(tmp_path: Path, delimiter: str) -> None:
    lines = ["time,p,note", "2026-03-04 07:15:00,141.5,x"]
    rows, _, _ = read(source(TABLE), csv(tmp_path, *(line.replace(",", delimiter) for line in lines)))
    assert values(rows[HB_01], "pressure_bar") == [141.5]


def test_columns_by_number_without_a_heading(tmp_path: Path) -> None:
    table = source(
        TABLE,
        header=False,
        time={"at": "@[0]", "as": "ms"},
        channels={"pressure_bar": "@[-1]"},
        hammer="@[1]",
    )
    rows, _, _ = read(table, csv(tmp_path, "1772604900100,HB-02,141.5", "1772604900200,HB-03,5"))
    assert {key[1]: values(own, "pressure_bar") for key, own in rows.items()} == {
        "HB-02": [141.5],
        "HB-03": [5.0],
    }


def test_devices_become_hammers_and_sites(tmp_path: Path) -> None:
    table = source(TABLE, hammer="@.m", hammers={"EX-21": "HB-01", "EX-22": "east-yard/HB-01"})
    path = csv(
        tmp_path,
        "time,p,m",
        *(f"2026-03-04 07:15:0{k},{k},{device}" for k, device in enumerate(("EX-21", "EX-22", "EX-23", ""))),
    )
    rows, [account], _ = read(table, path)
    assert {key: values(own, "pressure_bar") for key, own in rows.items()} == {
        HB_01: [0.0],
        ("east-yard", "HB-01"): [1.0],
    }
    assert account.passed_over == {"records of device EX-23": 1}
    assert account.left_out.count == {"hammer": 1}


def test_a_table_of_names_and_values(tmp_path: Path) -> None:
    """One value a row: hammers by the name, other tags passed over."""
    table = source(
        TABLE,
        name="@.tag",
        value="@.v",
        hammer="{hammer}",
        where={"@.q": ["good"]},
        channels={
            "pressure_bar": {"named": "Quarry.{hammer}.P", "unit": "MPa"},
            "active": {"named": "Quarry.{hammer}.On"},
        },
    )
    path = csv(
        tmp_path,
        "time,tag,v,q",
        "2026-03-04 07:15:00,Quarry.HB-01.P,14.2,good",
        "2026-03-04 07:15:00,Quarry.HB-01.On,true,good",
        "2026-03-04 07:15:00,Quarry.HB-02.P,x,good",
        "2026-03-04 07:15:01,Quarry.HB-01.P,99,bad",
        "2026-03-04 07:15:01,Quarry.HB-01.T,60,good",
    )
    rows, [account], _ = read(table, path)
    assert values(rows[HB_01], "pressure_bar") == pytest.approx([142.0])
    assert values(rows[HB_01], "active") == [1.0]
    assert account.passed_over == {"records that `where` leaves out": 1, "records of other names": 1}
    assert "row 4" in account.bad_values.examples["pressure_bar"]


def test_an_empty_cell_holds_and_a_code_ends_the_hold(tmp_path: Path) -> None:
    table = source(TABLE, channels={"oil_c": {"at": "@.p", "hold_s": 600.0, "missing": ["off", 999]}})
    lines = [f"2026-03-04 07:15:0{k},{cell}" for k, cell in enumerate(("60", "", "off", "999"))]
    rows, _, _ = read(table, csv(tmp_path, "time,p", *lines))
    assert str(rows[HB_01].columns["oil_c"].tolist()) == str([60.0, np.nan, NO_VALUE, NO_VALUE])


def test_events_of_a_table(tmp_path: Path) -> None:
    """Texts become numbers where the event has a number; a bad event costs only itself."""
    table = source(
        {**TABLE, "channels": {}},
        event={
            "event": {"at": "@.kind", "words": {"in": "sign_on", "meter": "hours"}},
            "operator": {"at": "@.card", "words": {"04A2": "op-14"}},
            "meter_h": "@.h",
        },
    )
    path = csv(
        tmp_path,
        "time,kind,card,h",
        "2026-03-04 07:15:00,in,04A2,",
        "2026-03-04 07:16:00,,,",
        "2026-03-04 07:17:00,in,07FF,",
        "2026-03-04 07:18:00,meter,,1204.5",
    )
    _, [account], _ = read(table, path)
    assert [(event.kind, event.fields) for event in account.events] == [
        ("sign_on", {"operator": "op-14"}),
        ("hours", {"meter_h": 1204.5}),
    ]
    assert account.left_out.count == {"event": 1}
    assert "07FF" not in account.left_out.examples["event"]  # a card number goes no farther


def test_rows_that_cannot_be_used_are_counted(tmp_path: Path) -> None:
    path = csv(
        tmp_path,
        "time,p",
        "2026-03-04 07:15:00,1",
        "2026-03-04 07:15:01,2,3",
        "yesterday,4",
        ",5",
        "2026-03-29 02:30:00,6",
        "2026-03-04 07:15:02,1e999",
    )
    rows, [account], _ = read(source(TABLE), path)
    assert values(rows[HB_01], "pressure_bar") == [1.0]
    assert account.left_out.count == {"time": 3, "fields": 1}
    assert account.records == 6
    assert '"yesterday" is not a time' in account.left_out.examples["time"]


@pytest.mark.parametrize(
    ("lines", "changes", "expected"),
    [
        (("time,P1", "x,1"), {}, "no column `p`; did you mean `P1`? its columns are: `time`, `P1`"),
        (("Logger 7", "", "time,p", "x,1"), {}, "is in line 3: set skip = 2"),
        (("time,p,p", "x,1,2"), {}, "column `p` is there 2 times; name it by number, like @[2]"),
        (("time", "x"), {"skip": 5}, "no rows after the 5 that `skip` leaves out"),
        (("time,p", "x,1"), {"channels": {"oil_c": "@[7]"}}, "no column 7; it has 2, numbered from 0"),
        (("time,p", "x,1"), {"channels": {"oil_c": "@.a.b"}}, "name one column of the table, like @.oil"),
        (("time,p", "x,1"), {"channels": {"oil_c": {"named": "p"}}}, "like @['p']"),
        (("time,p", "x,1"), {"header": False}, "with header = false columns have no names"),
        (("time,p", "x,1"), {"encoding": "cp125"}, "no encoding is named 'cp125'"),
        (
            ("time,p", "2026-03-04 07:15:00,1"),
            {"hammer": "@.p", "site": "a b"},
            "'a b' cannot be the id of a site",
        ),
    ],
)
def test_mistakes_are_refused_with_a_remedy(
    tmp_path: Path, lines: Sequence[str], changes: dict[str, Any], expected: str
) -> None:
    with pytest.raises(InputError, match=re.escape(expected)):
        read(source(TABLE, **changes), csv(tmp_path, *lines))


def test_another_encoding_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r'read as utf-8: set `encoding`, such as "cp1252"'):
        read(source(CAB, skip=2), csv(tmp_path, *CAB_LINES, encoding="cp1252"))


def test_times_from_zero_need_the_start(tmp_path: Path) -> None:
    table = source(TABLE, time={"at": "@.time", "as": "s"})
    path = csv(tmp_path, "time,p", "0.5,1", "1.5,2")
    with pytest.raises(InputError, match="has no date"):
        read(table, path)
    start = instant.parse("2026-03-04T07:15:00+01:00")
    rows, _, _ = read(table, path, start=start)
    assert (rows[HB_01].time_ns - start).tolist() == [500_000_000, 1_500_000_000]


@given(
    st.lists(
        st.one_of(
            st.none(),
            st.floats(allow_nan=False, allow_infinity=False).map(repr),
            st.text("0123456789.,+-eExnai ", max_size=8),
        ),
        max_size=6,
    ),
    st.sampled_from(".,"),
)
def test_a_column_is_read_as_its_cells(cells: list[str | None], decimal: str) -> None:
    """The quick way takes only what the reader of single values takes, with the same result."""
    import pyarrow as pa  # type: ignore[import-untyped]

    from strikewatch.sources.mapping.values import number

    found = Texts(pa.array(cells, pa.string())).numbers(decimal)
    single = [None if cell is None else number(cell, decimal) for cell in cells]
    if found is not None:
        assert str(found.tolist()) == str([np.nan if value is None else value for value in single])


def test_an_excel_sheet(tmp_path: Path) -> None:
    """Dates are cells of Excel, days since 1899-12-30, on the logger's clock."""
    path = tmp_path / "shift.xlsx"
    day = (datetime(2026, 3, 4, 7, 15) - datetime(1899, 12, 30)).total_seconds() / 86_400  # noqa: DTZ001
    write_xlsx(
        path,
        [
            ["Logger 7"],
            ["time", "p", "on", "who"],
            [day, 141.5, "ein", 21.0],
            [day + 0.25 / 86_400, None, "aus", 21.0],
            [day + 0.5 / 86_400, "n/a", "aus", 21.0],
            [None, 1.0, "aus", 21.0],
        ],
        dated=[0],
    )
    channels = {"pressure_bar": "@.p", "active": {"at": "@.on", "on": ["ein"], "off": ["aus"]}}
    table = source(TABLE, skip=1, channels=channels, hammer="@.who", hammers={"21": "HB-01"})
    rows, [account], _ = read(table, path)
    found = rows[HB_01]
    start = instant.parse("2026-03-04T06:15:00Z")
    assert found.time_ns.tolist() == [start, start + 250_000_000, start + 500_000_000]
    assert values(found, "pressure_bar") == [141.5]
    assert values(found, "active") == [1.0, 0.0, 0.0]
    assert account.left_out.count == {"time": 1}
    assert account.left_out.examples["time"].startswith("row 6: ")
    with pytest.raises(InputError, match=r"no sheet `Lag`; did you mean Log\?"):
        read(source(TABLE, sheet="Lag"), path)
    path.write_bytes(path.read_bytes()[:200])
    with pytest.raises(InputError, match=r"not an Excel file that can be read"):
        read(table, path)
