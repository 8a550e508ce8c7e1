"""What a replayed fleet holds, in the form of a replay in one process."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from strikewatch.fleet.folder import FleetFolder
from strikewatch.fleet.tables import bout_row, stretch_row
from strikewatch.service.recorded.recordings import Recordings
from strikewatch.settings.tree import load
from tests.goldens.bless import SHIFTS

Found = dict[str, list[Any]]


def whole(*paths: Path) -> Found:
    """Replay in one process; return alert records as JSON, bouts, stretches, and how rows were used."""
    recordings = Recordings(paths, load(), allow_loss=100.0)
    result = recordings.replay(recordings.open())
    return {
        "alerts": [json.dumps(record, ensure_ascii=False) for record in result.records],
        "bouts": sorted(_text(bout_row(bout, 0)) for bout in result.bouts()),
        "stretches": sorted(_text(stretch_row(one, 0)) for one in result.stretches()),
        "used": [result.counts.used, result.counts.wrong_clock],
        "firing_h": sorted((key, round(hours, 9)) for key, hours in result.firing_h.items()),
        "end": [result.end],
    }


def held(folder: Path) -> Found:
    """Return the same of a replayed fleet."""
    fleet = FleetFolder(folder)
    alerts = fleet.read("alerts").to_pylist()
    alerts.sort(
        key=lambda row: (json.loads(row["record"])["onset"], row["hammer"], row["fault"], row["site"])
    )
    counts = fleet.read("counts").to_pylist()
    firing: dict[tuple[str, str], int] = {}
    for row in counts:
        key = row["site"], row["hammer"]
        firing[key] = firing.get(key, 0) + row["firing_ns"]
    manifest = fleet.manifest()
    assert manifest is not None
    return {
        "alerts": [row["record"] for row in alerts],
        "bouts": sorted(_text(_bout(row)) for row in fleet.read("bouts").to_pylist()),
        "stretches": sorted(_text(_stretch(row)) for row in fleet.read("stretches").to_pylist()),
        "used": [sum(row[name] for row in counts) for name in ("used", "wrong_clock")],
        "firing_h": sorted((key, round(ns / 3.6e12, 9)) for key, ns in firing.items()),
        "end": [manifest.end],
    }


def _text(row: Sequence[Any]) -> str:
    return repr([float(cell) if isinstance(cell, float) else cell for cell in row])  # numpy's floats too


def _bout(row: dict[str, Any]) -> Sequence[Any]:
    assert row["start"].timestamp() == row["start_ns"] // 1000 / 1e6
    return tuple((row | {"segment_ns": 0, "start": row["start_ns"] // 1000}).values())


def _stretch(row: dict[str, Any]) -> Sequence[Any]:
    names = "site", "hammer", "operator", "tool", "start_ns", "end_ns", "operating_ns", "firing_ns"
    site, hammer, operator, tool, start, end, *hours = (row[name] for name in names)
    return (site, hammer, 0, operator, tool, start // 1000, start, end, *hours)


__all__ = ["SHIFTS", "held", "whole"]
