"""The few moments worth showing: of each operator and fault the longest, the most extreme and the most usual one, and
what went well."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from strikewatch.core.batch import Ints
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.registry import FAULTS
from strikewatch.review.data.feeds import NOTHING_KNOWN, Feeds
from strikewatch.review.data.frames import UNASSIGNED

if TYPE_CHECKING:
    import pandas as pd

APART_H: Final = 2.0
"""A pause that ends a turn at the controls."""
_NEVER: Final = np.iinfo(np.int64).min
"""NaT as a number."""
SURE: Final = 0.8
"""Suspicions of a lower score are shown only where there are no others."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A fault to show, and why this one. `id` is the alert's; instants in ns."""

    id: str
    fault: str
    site: str
    hammer: str
    operator: str
    priority: str
    onset: Instant
    cleared: Instant | None
    summary: str
    why: str
    causes: tuple[str, ...] = ()
    """All faults that came together in it, its own among them."""
    caveat: str = ""
    """Why it is less certain that this was a fault; empty where it is not."""


@dataclass(frozen=True, slots=True)
class Clean:
    """The longest stretch of an operator at one hammer, in one turn, without a fault."""

    site: str
    hammer: str
    operator: str
    begin: Instant
    end: Instant
    firing_s: float


_LONGEST: Final = "the longest: {value:.0f} s"


def telling(faults: "pd.DataFrame", most: int, feeds: Feeds = NOTHING_KNOWN) -> list[Moment]:
    """Of each operator and fault at most so many moments, from a frame of FAULTS; by site, operator, fault and time.

    First the most extreme by what the fault is measured by, then the one in the middle, then the next extremes. Nobody
    signed on is nobody's moment. What is less certain by the hammer's feed is chosen only where there is nothing else,
    and says so.
    """
    begun = faults[(faults["count"] == 1) & (faults["operator"] != UNASSIGNED)]
    begun = begun.assign(caveat=feeds.whys(begun))
    found: list[Moment] = []
    for (_, _, fault), own in begun.groupby(["site", "operator", "fault"], sort=True):
        chosen = _chosen(str(fault), own, most)
        found += sorted((_moment(own.loc[at], why) for at, why in chosen.items()), key=lambda one: one.onset)
    return found


def _chosen(fault: str, own: "pd.DataFrame", most: int) -> dict[Any, str]:
    """Labels of rows, each with why it was chosen, in the order of choosing."""
    certain = own[own["caveat"] == ""]
    own = certain if len(certain) else own
    if fault == "blank_firing":
        sure = own[[one.get("score", 0.0) >= SURE for one in own["evidence"]]]
        own = sure if len(sure) else own
    if len(own) == 1:
        return {own.index[0]: "the only one"} if most else {}
    values = [(one.text, _values(own, one.evidence)) for one in FAULTS[fault].highlights] or [
        (_LONGEST, own["seconds"].astype(float))
    ]
    values = [(told, column) for told, column in values if column.notna().any()]
    chosen: dict[Any, str] = {}
    for told, column in values:
        chosen.setdefault(column.idxmax(), told.format(value=column.max()))
    if values and len(own) >= 3:
        _, column = values[0]
        usual = (column - column.median()).abs().drop(list(chosen), errors="ignore")
        if usual.notna().any():
            chosen[usual.idxmin()] = f"a usual one: half of the {len(own)} were more, half less"
    for told, column in values:
        for at in column.drop(list(chosen)).dropna().sort_values(ascending=False, kind="stable").index[:most]:
            chosen.setdefault(at, told.format(value=column[at]).replace("the ", "the next ", 1))
    return dict(list(chosen.items())[:most])


def _values(own: "pd.DataFrame", name: str) -> "pd.Series[float]":
    return own["evidence"].map(lambda evidence: evidence.get(name, np.nan)).astype(float)


def _moment(row: "pd.Series[Any]", why: str) -> Moment:
    return Moment(
        id=row["id"],
        fault=row["fault"],
        site=row["site"],
        hammer=row["hammer"],
        operator=row["operator"],
        priority=row["priority"],
        onset=_ns(row["onset"]),
        cleared=None if row["cleared"] != row["cleared"] else _ns(row["cleared"]),
        summary=row["summary"],
        why=why,
        causes=_causes(row["fault"], row["evidence"]),
        caveat=row["caveat"],
    )


def _causes(fault: str, evidence: Mapping[str, Any]) -> tuple[str, ...]:
    several = tuple(str(evidence.get("causes", "")).split())
    return several if fault in several else (fault,)


def _ns(at: "pd.Timestamp") -> Instant:
    return int(at.as_unit("ns").value)


def clean(exposure: "pd.DataFrame", faults: "pd.DataFrame") -> dict[str, Clean]:
    """Operator → the stretch with the most firing, at one hammer in one turn, without a fault of theirs.

    From frames of EXPOSURE and FAULTS. Within a row of exposure firing is taken as even.
    """
    best: dict[str, Clean] = {}
    by = ["site", "hammer", "operator"]
    spells = {key: (_instants(own["onset"]), _instants(own["cleared"])) for key, own in faults.groupby(by)}
    nothing = np.empty(0, np.int64), np.empty(0, np.int64)
    for key, own in exposure[exposure["operator"] != UNASSIGNED].groupby(by, sort=True):
        site, hammer, operator = map(str, key)
        for begin, end, firing_s in _stretches(own.sort_values("start"), *spells.get(key, nothing)):
            if firing_s > (best[operator].firing_s if operator in best else 0.0):
                best[operator] = Clean(site, hammer, operator, begin, end, firing_s)
    return best


def _stretches(own: "pd.DataFrame", onset: Ints, cleared: Ints) -> Iterator[tuple[Instant, Instant, float]]:
    """Of each turn of an operator at a hammer the best stretch: from, to, seconds of firing."""
    starts, ends = _instants(own["start"]), _instants(own["end"])
    fired_s = own["firing_s"].to_numpy(float)
    order = np.argsort(onset)
    breaks = np.flatnonzero(starts[1:] - ends[:-1] > APART_H * 3600 * SECOND) + 1
    for turn in np.split(np.arange(len(own)), breaks):
        begin, end = int(starts[turn[0]]), int(ends[turn[-1]])
        over = np.where(cleared == _NEVER, end, cleared)[order]
        here = (onset[order] < end) & (over > begin)
        frees = np.maximum.accumulate(np.concatenate([[begin], over[here]]))
        until = np.concatenate([onset[order][here], [end]])
        times = np.clip(np.stack([frees, np.maximum(frees, until)]), begin, end)
        share = (times[..., None] - starts[turn]) / np.maximum(ends[turn] - starts[turn], 1)
        upto_s = (np.clip(share, 0.0, 1.0) * fired_s[turn]).sum(axis=-1)
        longest = int(np.argmax(upto_s[1] - upto_s[0]))
        yield int(times[0, longest]), int(times[1, longest]), float((upto_s[1] - upto_s[0])[longest])


def _instants(column: "pd.Series[Any]") -> Ints:
    """Timestamps as instants; NaT as _NEVER."""
    return np.asarray(column.dt.as_unit("ns").astype("int64"), np.int64)
