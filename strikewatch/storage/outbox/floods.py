"""Flood suppression on rows: the flood and chattering episodes, the alerts they hold, and when a digest is due.

An episode is a row of the table `storms`.
"""

from typing import Any, Final

from sqlalchemy import (
    BigInteger,
    BindParameter,
    Connection,
    Select,
    and_,
    bindparam,
    func,
    insert,
    literal,
    null,
    or_,
    select,
    union_all,
    update,
)

from strikewatch.core.instant import Instant
from strikewatch.engine.flood import Episode, Rules, SuppressionKind, assign, digest_due
from strikewatch.storage.actions.rows import HandlingRow
from strikewatch.storage.commit.statements import PreparedQuery
from strikewatch.storage.schema.alarm_tables import COUNTED, handling, storms


class Floods:
    """The flood and chattering episodes of all sites, within one transaction at the wall time `now`."""

    def __init__(self, connection: Connection, rules: Rules, now: Instant) -> None:
        self._connection = connection
        self._rules = rules
        self._now = now

    def take(self, row: HandlingRow) -> bool:
        """Hold an alert in the episode it belongs to; return False if it is to be sent alone.

        All other changed rows must have been written before.
        """
        numbers, spans, near = self._nearby(row)
        stream, site = self._onsets(row) if near else ([], [])
        verdict = assign(
            row.onset,
            row.handling.priority,
            self._rules,
            stream=stream,
            site=site,
            chattering=spans.get("chattering"),
            flood=spans.get("flood"),
        )
        if verdict is None:
            row.counts = "all"
            return False
        kind, span = verdict
        row.counts = "all" if kind == "flood" else "stream"
        row.held, row.due = True, None
        row.storm = self._hold(row, kind, span, numbers.get(kind))
        return True

    def hold_end(self, row: HandlingRow) -> None:
        """Hold the end of an alert that a digest listed as active, for the next digest of the same episode."""
        c = storms.c
        query = select(c.kind, c.began_ns, c.until_ns).where(c.seq == row.storm)
        kind, began, until = self._connection.execute(query).one()
        row.held = True
        self._hold(row, kind, Episode(began, until), row.storm)

    def _hold(self, row: HandlingRow, kind: SuppressionKind, span: Episode, number: int | None) -> int:
        c = storms.c
        held_since = None
        if number is not None:
            held_since = self._connection.scalar(select(c.held_ns).where(c.seq == number))
        since = self._now if held_since is None else held_since
        values = {
            "until_ns": span.until,
            "held_ns": since,
            "due_ns": digest_due(self._rules, span, since, self._now),
        }
        if number is not None:
            self._connection.execute(update(storms).where(c.seq == number).values(values))
            return number
        hammer, fault = ("", "") if kind == "flood" else (row.hammer, row.fault)
        values |= {"kind": kind, "site": row.site, "hammer": hammer, "fault": fault, "began_ns": span.began}
        inserted = self._connection.execute(insert(storms).values(**values, digests=0)).inserted_primary_key
        assert inserted is not None
        return int(inserted[0])

    def _nearby(
        self, row: HandlingRow
    ) -> tuple[dict[SuppressionKind, int], dict[SuppressionKind, Episode], bool]:
        """Return the latest episode of each kind that contains the onset, and whether the alert can be part of any.

        It cannot if no episode contains it and too few onsets lie in both windows before it to begin one.
        """
        chattering, flood = self._rules.chattering, self._rules.flood
        found = _NEARBY.fetch(
            self._connection,
            site=row.site,
            hammer=row.hammer,
            fault=row.fault,
            onset=row.onset,
            since=row.onset - self._rules.longest_window,
            chattering_since=row.onset - chattering.window,
            flood_since=row.onset - flood.window,
            enough=max(chattering.begin_count, flood.begin_count),
        )
        ((_, _, in_chattering, in_flood),) = (one for one in found if one[1] is None)
        spans = sorted((one for one in found if one[1] is not None), key=lambda one: (one[2], one[1]))
        return (
            {kind: seq for kind, seq, *_ in spans},
            {kind: Episode(*span) for kind, _, *span in spans},
            bool(spans) or in_chattering + 1 >= chattering.begin_count or in_flood + 1 >= flood.begin_count,
        )

    def _onsets(self, row: HandlingRow) -> tuple[list[Instant], list[Instant]]:
        """Return the sorted onsets counted around this one: of the same hammer and fault, and of the whole site."""
        c = handling.c
        query = (
            select(c.hammer, c.fault, c.onset_ns, c.counts)
            .where(
                COUNTED,
                c.site == row.site,
                c.onset_ns > row.onset - self._rules.longest_window,
                c.onset_ns <= row.onset + self._rules.longest_window,
                c.id != row.id,
            )
            .order_by(c.onset_ns)
        )
        found = self._connection.execute(query).all()
        stream = [at for hammer, fault, at, _ in found if (hammer, fault) == (row.hammer, row.fault)]
        return stream, [at for *_, at, counts in found if counts == "all"]


def _floods_at_onset() -> Select[Any]:
    """Select the episodes that contain an onset."""
    c = storms.c
    stream = and_(c.hammer == bindparam("hammer"), c.fault == bindparam("fault"))
    return select(c.kind, c.seq, c.began_ns, c.until_ns).where(
        c.site == bindparam("site"),
        c.until_ns >= _instant("onset"),
        c.began_ns <= _instant("onset"),
        or_(c.kind == "flood", stream),
    )


def _onset_counts() -> Select[Any]:
    """Count the site's onsets in each window before an onset, among the last ones, no more than are `enough`."""
    c = handling.c
    last = (
        select(c.onset_ns)
        .where(
            COUNTED,
            c.site == bindparam("site"),
            c.onset_ns > _instant("since"),
            c.onset_ns <= _instant("onset"),
        )
        .order_by(c.onset_ns.desc())
        .limit(_instant("enough"))
        .subquery()
    )
    chattering = func.count().filter(last.c.onset_ns > _instant("chattering_since"))
    flood = func.count().filter(last.c.onset_ns > _instant("flood_since"))
    columns: list[Any] = [literal(""), null(), chattering, flood]
    return select(*columns).select_from(last)


def _instant(name: str) -> BindParameter[int]:
    return bindparam(name, type_=BigInteger)


_NEARBY: Final = PreparedQuery(union_all(_floods_at_onset(), _onset_counts()))
