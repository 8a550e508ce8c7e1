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
from strikewatch.engine.pipeline import HammerSettings, Pipeline
from strikewatch.engine.state import part_of
from strikewatch.review.data.attribution import Attribution, BoutTotals
from strikewatch.review.data.feeds import Feeds, Reasons
from strikewatch.review.usage import TIMED
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.schema.tables import alerts, bouts, events, exposure, hammer_state

if TYPE_CHECKING:
    import pandas as pd


def read_events(
    place: DatabaseAccess, kinds: Collection[str], end: Instant, site: str | None = None
) -> list[Event]:
    """Return the events of these kinds that happened before `end`, at one site or all, oldest first."""
    c, later = events.c, events.alias()
    wanted = (
        select(c.site, c.hammer, c.kind, c.time_ns, c.fields, c.applied_ns)
        .where(c.kind.in_(kinds), c.time_ns < end)
        .where(~select(later.c.seq).where(later.c.corrects == c.seq).exists())
        .order_by(c.time_ns, c.seq)
    )
    with place.read() as connection:
        rows = connection.execute(wanted if site is None else wanted.where(c.site == site)).all()
    return [
        Event(at_site, hammer, kind, at, json.loads(fields), -1 if applied is None else applied)
        for at_site, hammer, kind, at, fields, applied in rows
    ]


class CurrentEvidence:
    """Restore each hammer's detectors from saved state and report on them, as at the end of a recording."""

    def __init__(self, settings_of: Callable[[Key], HammerSettings]) -> None:
        self._pipeline = Pipeline(settings_of)
        self._active: dict[tuple[str, str], Finding] = {}
        self.silent: dict[Key, Sequence[tuple[str, str]]] = {}
        """(fault, reason) of each fault that the hammer's feed and profile do not let be found."""
        self.uncertain: dict[Key, Sequence[tuple[str, str]]] = {}
        """(fault, reason) of each fault that can only be inferred."""

    def load(self, key: Key, layout: str, state: bytes) -> None:
        """Restore a hammer's saved state."""
        lost = self._pipeline.restore(key, layout, state)
        upto = self._pipeline.watermark(key)
        if upto == NEVER:
            return
        if coverage.NAME not in lost:
            self.silent[key] = self._pipeline.unmonitored_faults(key)
            self.uncertain[key] = self._pipeline.inferred_faults(key)
        report = self._pipeline.step(Batch([Portion(key, NO_ROWS, upto)]), report=True)
        for finding in report.findings:
            if finding.step == "standing":
                self._active[key[0], alert_id(key[1], finding.fault, finding.onset)] = finding

    def updated(self, record: Mapping[str, Any]) -> Mapping[str, Any]:
        """Return an alert record, with current evidence if the alert is active."""
        finding = self._active.get((record["site"], record["id"]))
        if finding is None or record["cleared"] is not None:
            return record
        evidence, summary = finding.describe()
        return {**record, "evidence": evidence, "summary": summary}


LONGEST: Final = 3600 * SECOND
"""The longest possible stretch of work."""


def from_store(
    place: DatabaseAccess, begin: Instant, end: Instant, site: str | None = None
) -> "tuple[pd.DataFrame, pd.DataFrame]":
    """Return EXPOSURE and FAULTS of what began in [begin, end), of one site or all. Raises StoreError.

    Work in progress is included up to the processor's last step. The database adds up the bouts, so a year takes a
    second or two.
    """
    with place.read() as connection:
        attribution = _attributed(connection, begin, end, site)
        records = _records(connection, begin, end, site)
    return attribution.exposure(), attribution.faults(records, end)


def exposure_from_store(
    place: DatabaseAccess, begin: Instant, end: Instant, site: str | None = None
) -> "pd.DataFrame":
    """Return only EXPOSURE of `from_store`."""
    with place.read() as connection:
        return _attributed(connection, begin, end, site).exposure()


def read_feeds(
    place: DatabaseAccess, settings_of: Callable[[Key], HammerSettings], site: str | None = None
) -> Feeds:
    """Return the limits of hammers' feeds and profiles, as last saved by the processor."""
    with place.read() as connection:
        states = connection.execute(_states(site)).all()
    present = _present(states, settings_of)
    return Feeds.of(present.silent, present.uncertain)


def _present(states: Iterable[Any], settings_of: Callable[[Key], HammerSettings]) -> CurrentEvidence:
    present = CurrentEvidence(settings_of)
    for at, hammer, layout, state in states:
        present.load((at, hammer), layout, bytes(state))
    return present


def overlapping(
    place: DatabaseAccess,
    begin: Instant,
    upto: Instant,
    settings_of: Callable[[Key], HammerSettings],
    site: str | None = None,
) -> "tuple[pd.DataFrame, pd.DataFrame, Reasons]":
    """Return EXPOSURE and FAULTS of what overlaps [begin, upto), and the faults that feeds do not let be found.

    The stored evidence of an active alert dates from its last change; here it is brought up to the processor's last
    step.
    """
    a = alerts.c
    reach = or_(a.onset_ns >= begin, a.cleared_ns.is_(None), a.cleared_ns > begin)
    wanted = select(a.record).where(a.onset_ns < upto, reach)
    with place.read() as connection:
        found = connection.scalars(wanted if site is None else wanted.where(a.site == site))
        records = [json.loads(record) for record in found]
        # An alert's seconds are divided by the work in all of its duration.
        since = min([begin, *(instant.parse(one["onset"]) for one in records if one["fault"] in TIMED)])
        attribution = _attributed(connection, max(0, since - LONGEST), upto, site)
        states = connection.execute(_states(site)).all()
    present = _present(states, settings_of)
    return attribution.exposure(), attribution.faults(map(present.updated, records), upto), present.silent


def _states(site: str | None) -> Any:
    h = hammer_state.c
    wanted = select(h.site, h.hammer, h.layout, h.state)
    return wanted if site is None else wanted.where(h.site == site)


def _attributed(connection: Connection, begin: Instant, end: Instant, site: str | None) -> Attribution:
    in_progress = _in_progress(connection, begin, end, site)
    attribution = Attribution([*_stretches(connection, begin, end, site), *in_progress])
    for of_stretch in (
        *_bout_totals(connection, begin, end, site),
        *_bout_totals_since(connection, in_progress),
    ):
        attribution.add_bouts(*of_stretch)
    return attribution


def _within(table: Any, column: Any, begin: Instant, end: Instant, site: str | None) -> list[Any]:
    where = [column >= begin, column < end]
    return where if site is None else [*where, table.c.site == site]


def _stretches(
    connection: Connection, begin: Instant, end: Instant, site: str | None
) -> list[AttributedStretch]:
    e = exposure.c
    wanted = select(e.site, e.hammer, e.start_ns, e.end_ns, e.operating_ns, e.firing_ns, e.operator, e.tool)
    rows = connection.execute(wanted.where(*_within(exposure, e.start_ns, begin, end, site)))
    return [
        AttributedStretch(Stretch((at, hammer), start, stop, operating, firing), operator, fitted)
        for at, hammer, start, stop, operating, firing, operator, fitted in rows
    ]


def _in_progress(
    connection: Connection, begin: Instant, end: Instant, site: str | None
) -> list[AttributedStretch]:
    """Return each hammer's stretch of work in progress, from its saved state."""
    found: list[AttributedStretch] = []
    for at, hammer, layout, state in connection.execute(_states(site)):
        parts = [part_of(layout, bytes(state), name) for name in ("exposure", OPERATORS.name, TOOLS.name)]
        if any(part is None for part in parts):
            continue
        own, who, what = parts
        start = int(own["begin"])
        if start != NEVER and begin <= start < end:
            stretch = Stretch(
                (at, hammer), start, int(own["end"]), float(own["operating"]), float(own["firing"])
            )
            found.append(AttributedStretch(stretch, on_duty(who, start), tool_at(what, start)))
    return found


def _bout_totals(
    connection: Connection, begin: Instant, end: Instant, site: str | None
) -> list[tuple[Key, Instant, BoutTotals]]:
    """Return (hammer, start, totals) of the bouts of each finished stretch."""
    b, e = bouts.c, exposure.c
    own = (b.site == e.site, b.hammer == e.hammer, b.start_ns >= e.start_ns, b.start_ns < e.end_ns)
    wanted = (
        select(e.site, e.hammer, e.start_ns, *_SUMS)
        .join_from(exposure, bouts, and_(*own))
        .where(*_within(exposure, e.start_ns, begin, end, site))
        .group_by(e.site, e.hammer, e.start_ns)
    )
    return [_summed(*row) for row in connection.execute(wanted)]


def _bout_totals_since(
    connection: Connection, in_progress: Iterable[AttributedStretch]
) -> Iterator[tuple[Key, Instant, BoutTotals]]:
    """Return (hammer, start, totals) of the bouts of stretches in progress."""
    b = bouts.c
    for (site, hammer), start, *_ in (spent.stretch for spent in in_progress):
        wanted = select(*_SUMS).where(b.site == site, b.hammer == hammer, b.start_ns >= start)
        n, *sums = connection.execute(wanted).one()
        if n:
            yield _summed(site, hammer, start, n, *sums)


_SUMS: Final = (
    func.count(),
    *(
        func.sum(column)
        for column in (bouts.c.judged_ns, bouts.c.blank_ns, bouts.c.blows, bouts.c.blank_blows)
    ),
)


def _summed(
    site: str, hammer: str, start: Instant, n: int, judged: Any, blank: Any, blows: Any, blank_blows: Any
) -> tuple[Key, Instant, BoutTotals]:
    counted = (None if sum_ is None else float(sum_) for sum_ in (blows, blank_blows))
    return (site, hammer), start, BoutTotals(n, float(judged), float(blank), *counted)


def _records(connection: Connection, begin: Instant, end: Instant, site: str | None) -> list[dict[str, Any]]:
    a = alerts.c
    wanted = select(a.record).where(*_within(alerts, a.onset_ns, begin, end, site)).order_by(a.onset_ns)
    return [json.loads(record) for record in connection.scalars(wanted)]
