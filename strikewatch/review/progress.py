"""Whether coaching worked: an operator's rate of a fault before and after each talk about it.

    coached_frame(events)                                        → COACHED
    effects(exposure, faults, coached, end, settings, feeds)     → EFFECTS

Those who are coached are chosen for high rates, and high rates fall again by chance alone. So the time before reaches
back further than the review that led to the talk, the comparison is corrected for the number of talks, and the change
is compared with that of the others in the same time.
"""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.review.data.schemas import OVER, UNASSIGNED
from strikewatch.review.data.tables import NO_LIMITS, Feeds, count_faults, dispersion_by_fault
from strikewatch.review.statistics import poisson, verdicts
from strikewatch.review.statistics.comparisons import Counted, relative_change
from strikewatch.review.statistics.poisson import UNKNOWN
from strikewatch.review.statistics.verdicts import LEVEL, RateComparison, Settings

if TYPE_CHECKING:
    import pandas as pd

    from strikewatch.review.data.tables import Frames

COACHED: Final = ("site", "operator", "fault", "time", "note")
"""One row per talk with an operator about a fault; `time`: timestamp, UTC."""

EFFECTS: Final = (
    *("site", "operator", "fault", "coached", "begin", "end", "over"),
    *("before_count", "before_hours", "before_rate", "count", "hours", "rate"),
    *("ratio", "ratio_lower", "ratio_upper", "p", "corrected", "ratio_limits"),
    *("others_ratio", "relative", "relative_lower", "relative_upper"),
    *("changed", "words", "settle_h"),
)
"""One row per talk. `begin`..`coached`..`end`: the time before and after that is compared, at most SPAN each, without
the time before an earlier and after a later talk on the same fault. `over`: the kind of hours. `before_…`: before the
talk; `count`, `hours`, `rate`: after it. `ratio`: of the rates, after to before, with 95 % limits: exact or widened for
clusters, as `ratio_limits` says; 0 and infinity where not known. `corrected`: p corrected for all talks of the site.
`others_ratio`: the ratio of the others, without those coached on the fault in that time. `relative`: the ratio of both
ratios, with limits. `changed`: more, fewer, same, or little (too little data), which `words` puts into a sentence.
`settle_h`: further hours that would settle it; NaN if settled or not known."""

SPAN: Final = 8 * 7 * 86_400 * SECOND
"""The longest time compared on either side of a talk."""


def coached_frame(events: Iterable[Event]) -> "pd.DataFrame":
    """Return a table of COACHED from events, without repetitions; other kinds of events are left out."""
    import pandas as pd

    rows = sorted(
        {
            (
                event.site,
                event.fields["operator"],
                event.fields["fault"],
                event.time,
                event.fields.get("note", ""),
            )
            for event in events
            if event.kind == "coached"
        }
    )
    frame = pd.DataFrame(rows, columns=list(COACHED)).astype(
        dict.fromkeys(("site", "operator", "fault", "note"), object)
    )
    return frame.assign(time=pd.to_datetime(frame["time"].astype("int64"), utc=True))


def first_coached(coached: "pd.DataFrame") -> dict[Any, str]:
    """Return the week of the first talk by site, operator and fault; `coached` has a column `week`."""
    return {key: str(rows["week"].min()) for key, rows in coached.groupby(["site", "operator", "fault"])}


class _Talk(NamedTuple):
    """One talk, with the frames before and after it."""

    row: dict[str, Any]
    before: "Frames"
    after: "Frames"


def effects(
    exposure: "pd.DataFrame",
    faults: "pd.DataFrame",
    coached: "pd.DataFrame",
    end: Instant,
    settings: Settings,
    feeds: Feeds = NO_LIMITS,
) -> "pd.DataFrame":
    """Return a table of EFFECTS from frames that reach far enough back; `end`: of the review."""
    import pandas as pd

    known = coached[coached["fault"].isin(OVER) & (coached["time"] < pd.Timestamp(end, tz="UTC"))]
    rows: list[dict[str, Any]] = []
    for site, of_site in known.groupby("site", sort=True):
        here = exposure[exposure["site"] == site], faults[faults["site"] == site]
        talks = [_talk(talk, of_site, here, end) for talk in of_site.to_dict("records")]
        rows += _compare([_counted(talk, of_site, feeds) for talk in talks], settings)
    return pd.DataFrame(rows, columns=list(EFFECTS))


def _talk(talk: Mapping[Any, Any], coached: "pd.DataFrame", frames: "Frames", end: Instant) -> _Talk:
    import pandas as pd

    at, span = talk["time"], pd.Timedelta(SPAN, unit="ns")
    same = coached[(coached["operator"] == talk["operator"]) & (coached["fault"] == talk["fault"])]["time"]
    begin = max([at - span, *same[same < at]])
    until = min([at + span, pd.Timestamp(end, tz="UTC"), *same[same > at]])
    row = {str(name): talk[name] for name in ("site", "operator", "fault")}
    row |= {"coached": at, "begin": begin, "end": until, "over": OVER[talk["fault"]]}
    return _Talk(row, _between(frames, begin, at), _between(frames, at, until))


def _between(frames: "Frames", begin: "pd.Timestamp", end: "pd.Timestamp") -> "Frames":
    exposure, faults = frames
    return (
        exposure[(exposure["start"] >= begin) & (exposure["start"] < end)],
        faults[(faults["onset"] >= begin) & (faults["onset"] < end)],
    )


def _counted(talk: _Talk, coached: "pd.DataFrame", feeds: Feeds) -> dict[str, Any]:
    """Add the counts before and after, and the change of the others."""
    row = talk.row
    during = coached[
        (coached["fault"] == row["fault"])
        & (coached["time"] >= row["begin"])
        & (coached["time"] < row["end"])
    ]
    also = {*during["operator"], UNASSIGNED}
    (before, others_before), (after, others_after) = (
        _counts(frames, row, also, feeds) for frames in (talk.before, talk.after)
    )
    spread = dispersion_by_fault([talk.before, talk.after], feeds).get((row["site"], row["fault"]), UNKNOWN)
    relative = relative_change(before, after, others_before, others_after, LEVEL, spread.value)
    others = poisson.compare_rates(*others_after, *others_before, LEVEL, spread.value)
    return row | {
        "before_count": before.faults,
        "before_hours": before.hours,
        "before_rate": before.faults / before.hours if before.hours else np.nan,
        "count": after.faults,
        "hours": after.hours,
        "rate": after.faults / after.hours if after.hours else np.nan,
        "ratio_limits": "widened" if spread.value > 1.0 else "exact",
        "others_ratio": others.ratio,
        "relative": relative.ratio,
        "relative_lower": relative.lower,
        "relative_upper": relative.upper,
        "dispersion": spread.value,
    }


def _counts(
    frames: "Frames", row: Mapping[str, Any], also: set[str], feeds: Feeds
) -> tuple[Counted, Counted]:
    """Return the counts of the operator, and of the others who were not coached on the fault in that time."""
    import pandas as pd

    fault_of_site = pd.DataFrame({"site": [row["site"]], "fault": [row["fault"]]}, dtype=object)
    table = count_faults(*frames, ["site", "operator"], fault_of_site, feeds)
    own, others = table["operator"] == row["operator"], ~table["operator"].isin(also)
    return tuple(  # type: ignore[return-value]  # two
        Counted(int(table.loc[part, "count"].sum()), float(table.loc[part, "hours"].sum()))
        for part in (own, others)
    )


def _compare(rows: list[dict[str, Any]], settings: Settings) -> list[dict[str, Any]]:
    """Add the comparison of before and after, corrected for all talks of a site."""
    cases = [
        RateComparison(
            row["count"],
            row["hours"],
            row["before_count"],
            row["before_hours"],
            row.pop("dispersion"),
            row["over"],
        )
        for row in rows
    ]
    ratios, _, corrected, _ = verdicts.compare_all(cases, settings)
    for row, case, ratio, p in zip(rows, cases, ratios, corrected.tolist(), strict=True):
        verdict = verdicts.judge_coaching(case, ratio, p, settings)
        row |= {"ratio": ratio.ratio, "ratio_lower": ratio.lower, "ratio_upper": ratio.upper}
        row |= {"p": ratio.p, "corrected": p}
        row |= {"changed": verdict.changed, "words": verdict.words, "settle_h": verdict.settle_h}
        if verdict.changed == "fewer":
            row["words"] += f" {_against_others(row)}"
    return rows


def _against_others(row: Mapping[str, Any]) -> str:
    """Say whether the others' rate fell as well."""
    if row["relative_upper"] < 1.0:
        return "The others did not improve as much: coaching probably helped."
    if row["others_ratio"] < 1.0:
        return "The others improved too: it may be the work rather than the talk."
    return "Too little work by others to say that it was the talk."
