"""Logger files of the invented site, and what a source makes of them."""

import os
import struct
import time
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import can
import numpy as np

from strikewatch.core.batch import Key, Rows
from strikewatch.core.instant import Instant
from strikewatch.sources.logs import Account, LogSet
from strikewatch.sources.mapping import SourceTable, check_tables

EEC1, HYDRAULIC_TEMPERATURE, HYDRAULIC_PRESSURE, BREAKER = 0x0CF00400, 0x18FE6800, 0x18F00800, 0x18FF4A00
"""Identifiers with source address 0: PGN 61444 and, in this invented DBC, 65128, 61448 and 65354."""

DBC = """VERSION ""
NS_ :
BS_:
BU_: Engine Breaker
BO_ 2565866750 EEC1: 8 Engine
 SG_ EngSpeed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" Breaker
BO_ 2565867774 HPG: 8 Breaker
 SG_ HydPressure : 0|16@1+ (2,0) [0|128510] "kPa" Engine
BO_ 2566809854 HYDT: 8 Breaker
 SG_ HydTemp : 0|8@1+ (1,-40) [-40|210] "deg C" Engine
BO_ 2566867710 BRK: 8 Breaker
 SG_ BreakerOn : 0|2@1+ (1,0) [0|3] "" Engine
BO_ 291 Cab: 8 Breaker
 SG_ Kind M : 0|8@1+ (1,0) [0|255] "" Engine
 SG_ Boom m1 : 8|16@1- (0.1,0) [-3276|3276] "deg" Engine
 SG_ Swing m2 : 15|16@0- (0.1,0) [-3276|3276] "deg" Engine
 SG_ Water m2 : 32|32@1- (1,0) [0|0] "m" Engine
SIG_VALTYPE_ 291 Water : 1;
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_DEF_DEF_ "VFrameFormat" "StandardCAN";
BA_ "VFrameFormat" BO_ 2565866750 3;
BA_ "VFrameFormat" BO_ 2565867774 3;
BA_ "VFrameFormat" BO_ 2566809854 3;
BA_ "VFrameFormat" BO_ 2566867710 3;
VAL_ 2566867710 BreakerOn 0 "Off" 1 "On" 2 "Error" 3 "Not available";
"""

CAN: Mapping[str, Any] = {
    "file": "*.log",
    "payload": "can",
    "dbc": "breaker.dbc",
    "time": {"as": "log", "zone": "Europe/Vienna"},
    "site": "fennick-hollow",
    "hammer": "HB-01",
    "channels": {
        "engine_rpm": {"named": "EngSpeed"},
        "pressure_bar": {"named": "HydPressure"},
        "oil_c": {"named": "HydTemp"},
        "active": {"named": "BreakerOn"},
    },
}
TABLE: Mapping[str, Any] = {
    "file": "*.csv",
    "payload": "table",
    "time": {"at": "@.time", "as": "iso", "zone": "Europe/Vienna"},
    "site": "fennick-hollow",
    "hammer": "HB-01",
    "channels": {"pressure_bar": "@.p"},
}

Frame = tuple[float, int, bytes]
"""(seconds since 1970, identifier, data)."""


def source(base: Mapping[str, Any], **changes: Any) -> SourceTable:
    """Return a source, checked as if it were read from a file."""
    tables, problems = check_tables({"log": {**base, **changes}})
    assert not problems
    return tables["log"]


def read(
    table: SourceTable, *paths: Path, start: Instant | None = None
) -> tuple[dict[Key, Rows], list[Account], LogSet]:
    """Read logs whole: rows by hammer, in the order of the logs."""
    logs = LogSet(table, paths[0].parent, start)
    parts: dict[Key, list[Rows]] = {}
    accounts = []
    for path in paths:
        file = logs.open(path)
        for key, rows in file.rows():
            parts.setdefault(key, []).append(rows)
        accounts.append(file.account)
    return {key: Rows.join(each) for key, each in parts.items()}, accounts, logs


def values(rows: Rows, channel: str) -> list[float]:
    """Return the values of a channel, without gaps."""
    column = rows.columns[channel]
    return column[~np.isnan(column)].tolist()


def candump(frames: Sequence[Frame]) -> str:
    lines = [
        f"({at:.6f}) can0 {key:0{8 if key > 0x7FF else 3}X}#{data.hex().upper()}\n"
        for at, key, data in frames
    ]
    return "".join(lines)


def write_can(path: Path, frames: Sequence[Frame]) -> None:
    """Write a log by python-can's own writers."""
    with can.Logger(path) as writer:  # type: ignore[attr-defined]
        for at, key, data in frames:
            writer.on_message_received(
                can.Message(
                    timestamp=at, arbitration_id=key, is_extended_id=key > 0x7FF, data=data, channel=0
                )
            )


def engine_speed(rpm_raw: int) -> bytes:
    return struct.pack("<3sH3s", b"\xff\xff\xff", rpm_raw, b"\xff\xff\xff")


@contextmanager
def machine_zone(name: str) -> Iterator[None]:
    """Set the time zone of this machine."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = name
    time.tzset()
    try:
        yield
    finally:
        if before is None:
            del os.environ["TZ"]
        else:
            os.environ["TZ"] = before
        time.tzset()


def write_xlsx(path: Path, rows: Sequence[Sequence[str | float | None]], dated: Sequence[int] = ()) -> None:
    """Write a minimal Excel file of one sheet, `Log`. `dated`: columns whose numbers are dates."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    package = "http://schemas.openxmlformats.org/package/2006"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"

    def cell(k: int, value: str | float | None) -> str:
        if value is None:
            return "<c/>"
        if isinstance(value, str):
            return f'<c t="inlineStr"><is><t>{escape(value)}</t></is></c>'
        style = ' s="1"' if k in dated else ""
        return f"<c{style}><v>{value!r}</v></c>"

    sheet = "".join(f"<row>{''.join(cell(k, one) for k, one in enumerate(row))}</row>" for row in rows)
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types"><Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" '
        'ContentType="application/xml"/><Override PartName="/xl/workbook.xml" ContentType="application/'
        'vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" '
        f'Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets><sheet name="Log" sheetId="1" '
        'r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" '
        f'Type="{office}/worksheet" Target="worksheets/sheet1.xml"/><Relationship Id="r2" Type="{office}/styles" '
        'Target="styles.xml"/></Relationships>',
        "xl/styles.xml": f'<styleSheet xmlns="{main}"><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="22"/>'
        "</cellXfs></styleSheet>",
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{main}"><sheetData>{sheet}</sheetData></worksheet>',
    }
    with zipfile.ZipFile(path, "w") as file:
        for name, text in parts.items():
            file.writestr(name, text)
