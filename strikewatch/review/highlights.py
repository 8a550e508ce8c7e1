"""Choose the highlights of a review: the longest, most extreme and most typical faults of each operator, and the
longest stretch without one."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from strikewatch.core.batch import Ints
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.registry import FAULTS
from strikewatch.review.data.schemas import UNASSIGNED
from strikewatch.review.data.tables import NO_LIMITS, Feeds

if TYPE_CHECKING:
    import pandas as pd

MAX_PAUSE_H: Final = 2.0
"""Pause in hours that ends an operator's turn at a hammer."""
_NEVER: Final = np.iinfo(np.int64).min
"""NaT as a number."""
MIN_SCORE: Final = 0.8
"""A suspected fault whose evidence has a lower `score` is shown only if there is no other."""


@dataclass(frozen=True, slots=True)
class Highlight:
    """A fault to show, and why it was chosen. `id` is that of the alert; instants in ns."""

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
    """All faults that were merged into the alert, including its own."""
    caveat: str = ""
    """Why it is less certain that this was a fault; else empty."""
    rank: int = 0
    """Its place among the operator's highlights of this fault, by choice."""


@dataclass(frozen=True, slots=True)
class CleanStretch:
    """An operator's longest stretch at one hammer, in one turn, without a fault."""

    site: str
    hammer: str
    operator: str
    begin: Instant
    end: Instant
    firing_s: float


_LONGEST: Final = "the longest: {value:.0f} s"


def choose_highlights(faults: "pd.DataFrame", most: int, feeds: Feeds = NO_LIMITS) -> list[Highlight]:
    """Choose at most `most` highlights of each operator and fault from FAULTS, by site, operator, fault and time.

    The most extreme by the fault's measures comes first, then the median, then the next most extreme. Faults with
    nobody signed on are not chosen. A fault that is less certain because of the hammer's feed is chosen only if there
    is no other, with the reason in `caveat`.
    """
    onsets = faults[(faults["count"] == 1) & (faults["operator"] != UNASSIGNED)]
    onsets = onsets.assign(caveat=feeds.uncertainties(onsets))
    highlights: list[Highlight] = []
    for (_, _, fault), rows in onsets.groupby(["site", "operator", "fault"], sort=True):
        chosen = _chosen(str(fault), rows, most)
        highlights += sorted(
            (_highlight(rows.loc[label], why, rank) for rank, (label, why) in enumerate(chosen.items())),
            key=lambda highlight: highlight.onset,
        )
    return highlights


def _chosen(fault: str, rows: "pd.DataFrame", most: int) -> dict[Any, str]:
    """Return the labels of the chosen rows, each with the reason, in order of choice."""
    certain = rows[rows["caveat"] == ""]
    rows = certain if len(certain) else rows
    likely = rows[[evidence.get("score", 1.0) >= MIN_SCORE for evidence in rows["evidence"]]]
    rows = likely if len(likely) else rows
    if len(rows) == 1:
        return {rows.index[0]: "the only one"} if most else {}
    measures = FAULTS[fault].highlights
    values = [(measure.text, _values(rows, measure.evidence)) for measure in measures] or [
        (_LONGEST, rows["seconds"].astype(float))
    ]
    values = [(text, column) for text, column in values if column.notna().any()]
    chosen: dict[Any, str] = {}
    for text, column in values:
        chosen.setdefault(column.idxmax(), text.format(value=column.max()))
    if values and len(rows) >= 3:
        _, column = values[0]
        typical = (column - column.median()).abs().drop(list(chosen), errors="ignore")
        if typical.notna().any():
            chosen[typical.idxmin()] = f"a typical one, near the median of {len(rows)}"
    for text, column in values:
        for label in (
            column.drop(list(chosen)).dropna().sort_values(ascending=False, kind="stable").index[:most]
        ):
            chosen.setdefault(label, text.format(value=column[label]).replace("the ", "the next ", 1))
    return dict(list(chosen.items())[:most])


def _values(rows: "pd.DataFrame", name: str) -> "pd.Series[float]":
    return rows["evidence"].map(lambda evidence: evidence.get(name, np.nan)).astype(float)


def best_of(
    highlights: Iterable[Highlight], most: int, first: Collection[tuple[str, str, str]]
) -> list[Highlight]:
    """Return at most `most` highlights of each operator, in the same order.

    Faults in `first` (site, operator, fault) come before others, certain ones before less certain ones, and one of each
    fault before a second one.
    """
    by_operator: dict[tuple[str, str], list[Highlight]] = {}
    highlights = list(highlights)
    for item in highlights:
        by_operator.setdefault((item.site, item.operator), []).append(item)
    best = {
        id(item)
        for items in by_operator.values()
        for item in sorted(
            items,
            key=lambda item: (
                (item.site, item.operator, item.fault) not in first,
                bool(item.caveat),
                item.rank,
            ),
        )[:most]
    }
    return [item for item in highlights if id(item) in best]


def _highlight(row: "pd.Series[Any]", why: str, rank: int) -> Highlight:
    return Highlight(
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
        rank=rank,
    )


def _causes(fault: str, evidence: Mapping[str, Any]) -> tuple[str, ...]:
    several = tuple(str(evidence.get("causes", "")).split())
    return several if fault in several else (fault,)


def _ns(timestamp: "pd.Timestamp") -> Instant:
    return int(timestamp.as_unit("ns").value)


def longest_clean_stretches(exposure: "pd.DataFrame", faults: "pd.DataFrame") -> dict[str, CleanStretch]:
    """Return, by operator, the stretch with the most firing at one hammer in one turn without a fault by that operator.

    `exposure` and `faults` are frames of EXPOSURE and FAULTS. Firing is taken as even within a row of EXPOSURE.
    """
    best: dict[str, CleanStretch] = {}
    by = ["site", "hammer", "operator"]
    fault_times = {
        key: (_instants(rows["onset"]), _instants(rows["cleared"])) for key, rows in faults.groupby(by)
    }
    nothing = np.empty(0, np.int64), np.empty(0, np.int64)
    for key, rows in exposure[exposure["operator"] != UNASSIGNED].groupby(by, sort=True):
        site, hammer, operator = map(str, key)
        for begin, end, firing_s in _stretches(rows.sort_values("start"), *fault_times.get(key, nothing)):
            if firing_s > (best[operator].firing_s if operator in best else 0.0):
                best[operator] = CleanStretch(site, hammer, operator, begin, end, firing_s)
    return best


def _stretches(rows: "pd.DataFrame", onset: Ints, cleared: Ints) -> Iterator[tuple[Instant, Instant, float]]:
    """Yield the best stretch of each turn of an operator at a hammer: start, end, seconds of firing."""
    starts, ends = _instants(rows["start"]), _instants(rows["end"])
    fired_s = rows["firing_s"].to_numpy(float)
    order = np.argsort(onset)
    breaks = np.flatnonzero(starts[1:] - ends[:-1] > MAX_PAUSE_H * 3600 * SECOND) + 1
    for turn in np.split(np.arange(len(rows)), breaks):
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
    """Return timestamps as instants; NaT as _NEVER."""
    return np.asarray(column.dt.as_unit("ns").astype("int64"), np.int64)
