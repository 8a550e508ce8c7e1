"""Rates of faults over a fleet, by any attributes of its hammers, without collecting its rows.

Each site is counted by one task with the review's own code. What leaves it is one row for each hammer and fault, which
Spark adds up.
"""

import json
from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.compute as pc  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch, Stretch
from strikewatch.errors import InputError
from strikewatch.fleet.folder import FleetFolder
from strikewatch.fleet.spark import table

if TYPE_CHECKING:
    from pyspark.sql import DataFrame, SparkSession

Reasons = dict[Key, list[tuple[str, str]]]
"""By hammer, faults with the reason."""

_COUNTED: Final = (
    *("site string", "hammer string", "fault string", "over string"),
    *("count long", "seconds double", "hours double", "spread double"),
)
_RATE: Final = ("over", "count", "seconds", "hours", "dispersion", "rate", "lower", "upper")


def rates(
    spark: "SparkSession", folder: Path, by: Sequence[str] = ("site",), hammers: "DataFrame | None" = None
) -> "DataFrame":
    """Return the rate of each fault of operators by attributes of hammers.

    Args:
        spark: a session.
        folder: of a replayed fleet.
        by: `site`, `hammer`, or columns of `hammers`.
        hammers: attributes such as `region` and `model`, one row a hammer, with `site` and `hammer`.

    Returns:
        One row per combination of `by` and fault. `over`: the kind of hours; `count`: onsets; `seconds`: how long the
        faults lasted; `hours`: on hammers whose feed can show the fault; `rate` per hour, null without hours, with its
        95 % limits `lower` and `upper`, widened by `dispersion`: that of the sites, weighted by their hours.

    Raises:
        InputError: nothing was replayed into the folder, or `by` names no known column.
    """
    from pyspark.sql import functions as F  # noqa: N812 - the name by which Spark's users know it

    counted = hammer_counts(spark, folder)
    if hammers is not None:
        counted = counted.join(F.broadcast(hammers), ["site", "hammer"], "left")
    known = [
        name
        for name in counted.columns
        if name not in ("fault", "over", "count", "seconds", "hours", "spread")
    ]
    if unknown := [name for name in by if name not in known]:
        raise InputError(f"no attribute `{unknown[0]}` of hammers; there are: {', '.join(known)}")
    total = F.sum("hours")
    grouped = counted.groupBy(*by, "fault", "over").agg(
        *(F.sum(name).alias(name) for name in ("count", "seconds", "hours")),
        F.when(total > 0, F.sum("spread") / total).otherwise(F.lit(1.0)).alias("dispersion"),
    )
    limits = ", rate double, lower double, upper double"
    schema = ", ".join(f"`{name}` {kind}" for name, kind in grouped.dtypes) + limits
    return grouped.mapInArrow(_with_limits, schema).select(*by, "fault", *_RATE).orderBy(*by, "fault")


def hammer_counts(spark: "SparkSession", folder: Path) -> "DataFrame":
    """Return one row per hammer and fault: count, seconds, hours, and `spread`: the hours times the dispersion."""
    from pyspark.sql import functions as F  # noqa: N812

    manifest = FleetFolder(folder).manifest()
    tagged = [
        table(spark, folder, name).select(*columns).withColumn("what", F.lit(name))
        for name, columns in _READ.items()
    ]
    rows = tagged[0]
    for more in tagged[1:]:
        rows = rows.unionByName(more, allowMissingColumns=True)
    end = 0 if manifest is None else manifest.end

    def count_site(rows: pa.Table) -> pa.Table:
        return _count_site(end, rows)

    return rows.groupBy("site").applyInArrow(count_site, ", ".join(_COUNTED))


_HAMMER: Final = ("site", "hammer", "segment_ns")
_READ: Final = {
    "stretches": (*_HAMMER, "operator", "tool", "start_ns", "end_ns", "operating_ns", "firing_ns"),
    "bouts": (*_HAMMER, "start_ns", "judged_ns", "blank_ns", "blows", "blank_blows"),
    "alerts": (*_HAMMER, "record"),
    "coverage": (*_HAMMER, "fault", "shown", "reason"),
    "counts": _HAMMER,
}


def _count_site(end: Instant, rows: pa.Table) -> pa.Table:
    """Count the faults of one site's hammers."""
    from strikewatch.review.data.tables import Feeds, count_faults, dispersion_by_fault, monitored_faults

    exposure, faults, silent, uncertain = review_frames(rows, end)
    feeds = Feeds.of(silent, uncertain)
    periods = [(exposure, faults)]
    table = count_faults(exposure, faults, ["site", "hammer"], monitored_faults(periods), feeds)
    spread = dispersion_by_fault(periods, feeds) if len(exposure) else {}
    known = [
        spread[key].value if key in spread else 1.0 for key in zip(table["site"], table["fault"], strict=True)
    ]
    names = ["site", "hammer", "fault", "over", "count", "seconds", "hours"]
    kinds = [pa.string()] * 4 + [pa.int64(), pa.float64(), pa.float64(), pa.float64()]
    spread_h = np.nan_to_num(np.array(known, float), nan=1.0) * table["hours"].to_numpy(float)
    columns = [*(table[name].tolist() for name in names), spread_h]
    arrays = [pa.array(column, kind) for column, kind in zip(columns, kinds, strict=True)]
    return pa.Table.from_arrays(arrays, names=[*names, "spread"])


def site_rows(folder: FleetFolder, site: str) -> pa.Table:
    """Read the rows of one site that `review_frames` takes."""
    found = []
    for name, columns in _READ.items():
        rows = folder.read(name, columns, site=site)
        found.append(rows.append_column("what", pa.array([name] * len(rows), pa.string())))
    return pa.concat_tables(found, promote_options="default")


def review_frames(rows: pa.Table, end: Instant) -> tuple[Any, Any, Reasons, Reasons]:
    """Return the review's EXPOSURE and FAULTS, and the faults that feeds cannot show, or only let be inferred.

    `rows`: of the tables in `_READ`, each marked by its name in `what`.
    """
    from strikewatch.review.data.attribution import Attribution

    parts = {name: rows.filter(pc.equal(rows["what"], name)) for name in _READ}
    attribution = Attribution(
        AttributedStretch(
            Stretch(
                (r["site"], r["hammer"]), *(r[n] for n in ("start_ns", "end_ns", "operating_ns", "firing_ns"))
            ),
            r["operator"],
            r["tool"],
        )
        for r in parts["stretches"].to_pylist()
    )
    bouts = parts["bouts"].sort_by(
        [("site", "ascending"), ("hammer", "ascending"), ("start_ns", "ascending")]
    )
    for key in sorted(set(zip(bouts["site"].to_pylist(), bouts["hammer"].to_pylist(), strict=True))):
        own = bouts.filter(pc.and_(pc.equal(bouts["site"], key[0]), pc.equal(bouts["hammer"], key[1])))
        columns = [
            own[name].to_numpy() for name in ("start_ns", "judged_ns", "blank_ns", "blows", "blank_blows")
        ]
        attribution.add_bout_columns(key, *columns)
    records = [json.loads(record) for record in parts["alerts"]["record"].to_pylist()]
    records.sort(key=lambda record: (record["onset"], record["hammer"], record["fault"]))
    return (
        attribution.exposure(),
        attribution.faults(records, end),
        *_limits(parts["coverage"], parts["counts"]),
    )


def _limits(coverage: pa.Table, counts: pa.Table) -> tuple[Reasons, Reasons]:
    """Return (fault, reason) by hammer: of faults that no segment can show, and that every other can only infer."""
    segments: dict[Key, set[int]] = defaultdict(set)
    for row in counts.to_pylist():
        segments[row["site"], row["hammer"]].add(row["segment_ns"])
    shown: dict[Key, dict[str, dict[str, set[int]]]] = defaultdict(
        lambda: defaultdict(lambda: defaultdict(set))
    )
    reasons: dict[tuple[Key, str], str] = {}
    for row in coverage.to_pylist():
        key = row["site"], row["hammer"]
        shown[key][row["fault"]][row["shown"]].add(row["segment_ns"])
        if row["shown"] != "some":
            reasons[key, row["fault"]] = row["reason"]
    silent: Reasons = defaultdict(list)
    uncertain: Reasons = defaultdict(list)
    for key, faults in shown.items():
        for fault, where in faults.items():
            if where["none"] >= segments[key]:
                silent[key].append((fault, reasons[key, fault]))
            elif where["inferred"] and where["none"] | where["inferred"] >= segments[key]:
                uncertain[key].append((fault, reasons[key, fault]))
    return silent, uncertain


def _with_limits(batches: Iterator[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
    """Add rate, lower and upper."""
    from strikewatch.review.statistics import poisson

    for batch in batches:
        count, hours, dispersion = (
            batch.column(name).to_numpy(zero_copy_only=False).astype(float)
            for name in ("count", "hours", "dispersion")
        )
        rate = np.divide(count, hours, out=np.full(len(count), np.nan), where=hours > 0)
        lower, upper = poisson.rate_limits(count, hours, 0.95, dispersion)
        arrays = [pa.array(column, from_pandas=True) for column in (rate, lower, upper)]
        yield pa.RecordBatch.from_arrays(
            [*batch.columns, *arrays], names=[*batch.schema.names, "rate", "lower", "upper"]
        )
