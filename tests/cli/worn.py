"""A recorded shift in which bushing and tools wear out far faster than in life, and a database that holds it."""

import json
from pathlib import Path

import numpy as np
import pandas as pd

from strikewatch.service.recorded.replay import replay_shifts
from strikewatch.settings.tree import load
from strikewatch.sources.recordings import open_shifts
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store

SITE = "fennick-hollow"
BEGIN = pd.Timestamp("2026-07-14T06:00:00Z")
LIMITS = "[HB-01.wear]\nbore_limit_mm = 145.0\ntool_length_limit_mm = 690.0\n"


def _told(hour: float, hammer: str, event: str, **fields: object) -> dict[str, object]:
    at = BEGIN + pd.Timedelta(hours=hour)
    return {"time": at.isoformat().replace("+00:00", "Z"), "hammer": hammer, "event": event, **fields}


EVENTS = (
    _told(0, "HB-01", "sign_on", operator="op-11"),
    _told(0.1, "HB-01", "tool_change", tool="moil", serial="T-1", material="alloyed"),
    _told(0.2, "HB-01", "work", work="boulders", hard=True, abrasive=False),
    _told(1, "HB-01", "inspection", bushing="first_groove_visible", bore_mm=142.0, tool_length_mm=720),
    _told(2, "HB-01", "inspection", bushing="second_groove_visible", bore_mm=142.6, tool_length_mm=710),
    _told(3, "HB-01", "inspection", bushing="second_groove_visible", bore_mm=143.1, tool_length_mm=701),
    _told(4, "HB-01", "sign_on", operator="op-12"),
    _told(4, "HB-01", "inspection", bushing="second_groove_faint", turned_before=True, bore_mm=143.4),
    _told(5, "HB-01", "tool_change", tool="moil", serial="T-2", material="alloyed", reason="worn"),
    _told(6.5, "HB-01", "tool_change", tool="chisel", serial="T-3", reason="broken"),
    _told(7, "HB-01", "tool_change", tool="moil", serial="T-4", reason="swapped"),
    _told(3, "HB-02", "tool_change", tool="blunt", reason="lost"),
    _told(3.5, "HB-02", "work", work="boulders", hard=True),
    _told(4, "HB-02", "inspection", tool_mm=130.0),
)


def shift(folder: Path) -> Path:
    """Eight hours of two hammers with a row every 5 s, of which each fires for 2 s; the folder's name is the site."""
    place = folder / SITE
    place.mkdir(parents=True)
    time = BEGIN + pd.to_timedelta(np.arange(8 * 720) * 5, unit="s")
    frames = [
        pd.DataFrame({"time": time, "hammer": name, "active": True, "oil_c": 50.0})
        for name in ("HB-01", "HB-02")
    ]
    pd.concat(frames).sort_values("time").to_parquet(place / "samples.parquet")
    (place / "events.jsonl").write_text("".join(f"{json.dumps(one)}\n" for one in EVENTS))
    return place


def settings(folder: Path) -> Path:
    """Settings with the hammer's limits, and the database of `kept`."""
    (folder / "hammers.toml").write_text(LIMITS)
    path = folder / "strikewatch.toml"
    path.write_text(
        f'hammers_file = "hammers.toml"\n[store]\npath = "{folder / "watch.db"}"\n'
        f'[recording]\nfolder = "{folder / "recordings"}"\n'
    )
    return path


def kept(folder: Path, place: Path) -> None:
    """The database as a live run of that shift would have left it."""
    store = Store(folder / "watch.db")
    shifts = open_shifts(place)
    result = replay_shifts(shifts, load().of_hammer)
    events = [event for one in shifts for event in one.events]
    rows = [piece for one in shifts for piece in one.pieces()]
    stretches = tuple(result.stretches())
    end = int(rows[-1][1].time_ns[-1])
    store.commit(StepRecord(end, rows, events, events, [], result.bouts(), {}, "none", [], {}, stretches))
    store.close()
