"""Read the frames of a period, events, and current evidence from a processor's database, whether it runs or not."""

import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Connection, and_, func, or_, select

from strikewatch.core import instant
from strikewatch.core.alert import alert_id
from strikewatch.core.batch import NO_ROWS, Batch, Key, Portion
from strikewatch.core.events import Event
from strikewatch.core.finding import Finding
from strikewatch.core.instant import SECOND, Instant
from strikewatch.core.stretch import AttributedStretch, Stretch
from strikewatch.detectors import coverage
from strikewatch.detectors.kernels import NEVER
from strikewatch.engine.attribution import OPERATORS, TOOLS, on_duty, tool_at
from strikewatch.engine.state import part_of, restored
from strikewatch.review.data.attribution import Attribution, BoutTotals
from strikewatch.review.data.tables import Feeds, Reasons
from strikewatch.review.usage import TIMED
from strikewatch.storage.commit.states import read_states
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.schema.tables import alerts, bouts, events, exposure, hammer_state

if TYPE_CHECKING:
    import pandas as pd

    from strikewatch.engine.pipeline import HammerSettings

SettingsOf = Callable[[Key], "HammerSettings"]
SavedState = tuple[str, str, str, bytes]
"""Site, hammer, and the layout and bytes of its saved state."""


def read_events(
    database: DatabaseAccess, kinds: Collection[str], end: Instant, site: str | None = None
) -> list[Event]:
    """Return the events of these kinds that happened before `end`, at one site or all, oldest first."""
    columns, later = events.c, events.alias()
    query = (
        select(
            columns.site, columns.hammer, columns.kind, columns.time_ns, columns.fields, columns.applied_ns
        )
        .where(columns.kind.in_(kinds), columns.time_ns < end)
        .where(~select(later.c.seq).where(later.c.corrects == columns.seq).exists())
        .order_by(columns.time_ns, columns.seq)
    )
    with database.read() as connection:
        rows = connection.execute(query if site is None else query.where(columns.site == site)).all()
    return [
        Event(event_site, hammer, kind, time, json.loads(fields), -1 if applied is None else applied)
        for event_site, hammer, kind, time, fields, applied in rows
    ]


def _active_findings(states: Sequence[SavedState], settings_of: SettingsOf) -> dict[tuple[str, str], Finding]:
    """Return what the saved states say of active alerts, by site and id, as at the end of a recording."""
    if not states:
        return {}
    from strikewatch.engine.pipeline import Pipeline  # it loads the compiled detectors

    pipeline = Pipeline(settings_of)
    active: dict[tuple[str, str], Finding] = {}
    for site, hammer, layout, state in states:
        key = site, hammer
        pipeline.restore(key, layout, state)
        watermark = pipeline.watermark(key)
        if watermark == NEVER:
            continue
        report = pipeline.step(Batch([Portion(key, NO_ROWS, watermark)]), report=True)
        for finding in report.findings:
            if finding.step == "standing":
                active[site, alert_id(hammer, finding.fault, finding.onset)] = finding
    return active


def _with_current_evidence(
    record: Mapping[str, Any], active: Mapping[tuple[str, str], Finding]
) -> Mapping[str, Any]:
    """Return an alert record, with current evidence if the alert is active."""
    finding = active.get((record["site"], record["id"]))
    if finding is None or record["cleared"] is not None:
        return record
    evidence, summary = finding.describe()
    return {**record, "evidence": evidence, "summary": summary}


LONGEST: Final = 3600 * SECOND
"""The longest possible stretch of work."""


def from_store(
    database: DatabaseAccess, begin: Instant, end: Instant, site: str | None = None
) -> "tuple[pd.DataFrame, pd.DataFrame]":
    """Return EXPOSURE and FAULTS of what began in [begin, end), of one site or all. Raises StoreError.

    Work in progress is included up to the processor's last step. The database adds up the bouts, so a year takes a
    second or two.
    """
    with database.read() as connection:
        attribution = _attributed(connection, begin, end, site)
        records = _records(connection, begin, end, site)
    return attribution.exposure(), attribution.faults(records, end)


def exposure_from_store(
    database: DatabaseAccess, begin: Instant, end: Instant, site: str | None = None
) -> "pd.DataFrame":
    """Return only EXPOSURE of `from_store`."""
    with database.read() as connection:
        return _attributed(connection, begin, end, site).exposure()


def read_feeds(database: DatabaseAccess, settings_of: SettingsOf, site: str | None = None) -> Feeds:
    """Return the limits of hammers' feeds and profiles, as last saved by the processor."""
    with database.read() as connection:
        states = list(_states(connection, site))
    return Feeds.of(*_limits_of_feeds(states, settings_of))


def _limits_of_feeds(
    states: Iterable[SavedState], settings_of: SettingsOf
) -> tuple[dict[Key, Sequence[tuple[str, str]]], dict[Key, Sequence[tuple[str, str]]]]:
    """Return (fault, reason) of the faults that each hammer's feed or profile cannot show, and can only infer."""
    silent: dict[Key, Sequence[tuple[str, str]]] = {}
    uncertain: dict[Key, Sequence[tuple[str, str]]] = {}
    for site, hammer, layout, state in states:
        record, unreadable = restored(layout, state)
        if int(record[0]["reading"]["upto"]) == NEVER or coverage.NAME in unreadable:
            continue
        key = site, hammer
        settings, channels = settings_of(key), coverage.channels_of(record[0])
        silent[key] = list(coverage.unmonitored_faults(settings, channels))
        uncertain[key] = list(coverage.inferred_faults(settings, channels))
    return silent, uncertain


def overlapping(
    database: DatabaseAccess,
    begin: Instant,
    end: Instant,
    settings_of: SettingsOf,
    site: str | None = None,
) -> "tuple[pd.DataFrame, pd.DataFrame, Reasons]":
    """Return EXPOSURE and FAULTS of what overlaps [begin, end), and the faults that feeds cannot show.

    The stored evidence of an active alert dates from its last change; here it is brought up to the processor's last
    step.
    """
    columns = alerts.c
    ends_later = or_(columns.onset_ns >= begin, columns.cleared_ns.is_(None), columns.cleared_ns > begin)
    query = select(columns.record).where(columns.onset_ns < end, ends_later)
    if site is not None:
        query = query.where(columns.site == site)
    with database.read() as connection:
        records = [json.loads(record) for record in connection.scalars(query)]
        # An alert's seconds are divided by the work in all of its duration.
        onsets = (instant.parse(record["onset"]) for record in records if record["fault"] in TIMED)
        attribution = _attributed(connection, max(0, min([begin, *onsets]) - LONGEST), end, site)
        states = list(_states(connection, site))
    open_at = {(record["site"], record["hammer"]) for record in records if record["cleared"] is None}
    active = _active_findings([state for state in states if state[:2] in open_at], settings_of)
    faults = attribution.faults((_with_current_evidence(record, active) for record in records), end)
    silent, _ = _limits_of_feeds(states, settings_of)
    return attribution.exposure(), faults, silent


def _states(connection: Connection, site: str | None) -> Iterable[SavedState]:
    return read_states(connection, *([] if site is None else [hammer_state.c.site == site]))


def _attributed(connection: Connection, begin: Instant, end: Instant, site: str | None) -> Attribution:
    """Attribute the stretches of work and the bouts of a period, also those under way, to operators and tools."""
    in_progress = _in_progress(connection, begin, end, site)
    attribution = Attribution([*_stretches(connection, begin, end, site), *in_progress])
    for key, start, totals in (
        *_bout_totals(connection, begin, end, site),
        *_bout_totals_since(connection, in_progress),
    ):
        attribution.add_bouts(key, start, totals)
    return attribution


def _within(table: Any, column: Any, begin: Instant, end: Instant, site: str | None) -> list[Any]:
    where = [column >= begin, column < end]
    return where if site is None else [*where, table.c.site == site]


def _stretches(
    connection: Connection, begin: Instant, end: Instant, site: str | None
) -> list[AttributedStretch]:
    columns = exposure.c
    query = select(
        columns.site,
        columns.hammer,
        columns.start_ns,
        columns.end_ns,
        columns.operating_ns,
        columns.firing_ns,
        columns.operator,
        columns.tool,
    )
    rows = connection.execute(query.where(*_within(exposure, columns.start_ns, begin, end, site)))
    return [
        AttributedStretch(Stretch((name, hammer), start, stop, operating, firing), operator, fitted)
        for name, hammer, start, stop, operating, firing, operator, fitted in rows
    ]


def _in_progress(
    connection: Connection, begin: Instant, end: Instant, site: str | None
) -> list[AttributedStretch]:
    """Return each hammer's stretch of work in progress, from its saved state."""
    in_progress: list[AttributedStretch] = []
    for name, hammer, layout, state in _states(connection, site):
        parts = [part_of(layout, state, part) for part in ("exposure", OPERATORS.name, TOOLS.name)]
        if any(part is None for part in parts):
            continue
        work, operators, tools = parts
        start = int(work["begin"])
        if start != NEVER and begin <= start < end:
            stretch = Stretch(
                (name, hammer), start, int(work["end"]), float(work["operating"]), float(work["firing"])
            )
            in_progress.append(AttributedStretch(stretch, on_duty(operators, start), tool_at(tools, start)))
    return in_progress


def _bout_totals(
    connection: Connection, begin: Instant, end: Instant, site: str | None
) -> list[tuple[Key, Instant, BoutTotals]]:
    """Return (hammer, start, totals) of the bouts of each finished stretch."""
    bout, work = bouts.c, exposure.c
    in_stretch = (
        bout.site == work.site,
        bout.hammer == work.hammer,
        bout.start_ns >= work.start_ns,
        bout.start_ns < work.end_ns,
    )
    stretch = (work.site, work.hammer, work.start_ns)
    query = (
        select(*stretch, *_SUMS)
        .join_from(exposure, bouts, and_(*in_stretch))
        .where(*_within(exposure, work.start_ns, begin, end, site))
        .group_by(*stretch)
    )
    return [_summed(*row) for row in connection.execute(query)]


def _bout_totals_since(
    connection: Connection, in_progress: Iterable[AttributedStretch]
) -> Iterator[tuple[Key, Instant, BoutTotals]]:
    """Return (hammer, start, totals) of the bouts of stretches in progress."""
    bout = bouts.c
    for (site, hammer), start, *_ in (attributed.stretch for attributed in in_progress):
        query = select(*_SUMS).where(bout.site == site, bout.hammer == hammer, bout.start_ns >= start)
        count, *sums = connection.execute(query).one()
        if count:
            yield _summed(site, hammer, start, count, *sums)


_SUMS: Final = (
    func.count(),
    *(
        func.sum(column)
        for column in (bouts.c.judged_ns, bouts.c.blank_ns, bouts.c.blows, bouts.c.blank_blows)
    ),
)


def _summed(
    site: str, hammer: str, start: Instant, count: int, judged: Any, blank: Any, blows: Any, blank_blows: Any
) -> tuple[Key, Instant, BoutTotals]:
    counted = (None if total is None else float(total) for total in (blows, blank_blows))
    return (site, hammer), start, BoutTotals(count, float(judged), float(blank), *counted)


def _records(connection: Connection, begin: Instant, end: Instant, site: str | None) -> list[dict[str, Any]]:
    columns = alerts.c
    query = (
        select(columns.record)
        .where(*_within(alerts, columns.onset_ns, begin, end, site))
        .order_by(columns.onset_ns)
    )
    return [json.loads(record) for record in connection.scalars(query)]
