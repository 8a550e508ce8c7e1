"""Storms as rows: which there are, what they hold, and when that is told."""

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
from strikewatch.storage.actions.rows import Row
from strikewatch.storage.commit.statements import Question
from strikewatch.storage.schema.alarm_tables import COUNTED, handling, storms


class Storms:
    """The storms of all sites within one transaction at the wall time `now`."""

    def __init__(self, connection: Connection, rules: Rules, now: Instant) -> None:
        self._connection = connection
        self._rules = rules
        self._now = now

    def take(self, row: Row) -> bool:
        """Put an alert into the storm it belongs to; False if it goes alone. All other rows have been written."""
        numbers, spans, near = self._around(row)
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

    def hold_again(self, row: Row) -> None:
        """What a digest told as standing is over: the next digest of the same storm says so."""
        c = storms.c
        asked = select(c.kind, c.began_ns, c.until_ns).where(c.seq == row.storm)
        kind, began, until = self._connection.execute(asked).one()
        row.held = True
        self._hold(row, kind, Episode(began, until), row.storm)

    def _hold(self, row: Row, kind: SuppressionKind, span: Episode, number: int | None) -> int:
        c = storms.c
        held = None
        if number is not None:
            held = self._connection.scalar(select(c.held_ns).where(c.seq == number))
        since = self._now if held is None else held
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
        made = self._connection.execute(insert(storms).values(**values, digests=0)).inserted_primary_key
        assert made is not None
        return int(made[0])

    def _around(self, row: Row) -> tuple[dict[SuppressionKind, int], dict[SuppressionKind, Episode], bool]:
        """The storms that hold the alert's onset, the latest of each kind; whether it can be one at all.

        It cannot where none holds it, and fewer lie in either window before it than make one with it.
        """
        chattering, flood = self._rules.chattering, self._rules.flood
        found = _AROUND.ask(
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

    def _onsets(self, row: Row) -> tuple[list[Instant], list[Instant]]:
        """Onsets that count about this one, sorted: of its stream, and of its site."""
        c = handling.c
        asked = (
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
        found = self._connection.execute(asked).all()
        stream = [at for hammer, fault, at, _ in found if (hammer, fault) == (row.hammer, row.fault)]
        return stream, [at for *_, at, counts in found if counts == "all"]


def _holding() -> Select[Any]:
    """Storms that hold an onset."""
    c = storms.c
    stream = and_(c.hammer == bindparam("hammer"), c.fault == bindparam("fault"))
    return select(c.kind, c.seq, c.began_ns, c.until_ns).where(
        c.site == bindparam("site"),
        c.until_ns >= _at("onset"),
        c.began_ns <= _at("onset"),
        or_(c.kind == "flood", stream),
    )


def _before() -> Select[Any]:
    """How many lie in each window before it, of all that count at the site: of the last ones, no more than enough."""
    c = handling.c
    last = (
        select(c.onset_ns)
        .where(COUNTED, c.site == bindparam("site"), c.onset_ns > _at("since"), c.onset_ns <= _at("onset"))
        .order_by(c.onset_ns.desc())
        .limit(_at("enough"))
        .subquery()
    )
    chattering = func.count().filter(last.c.onset_ns > _at("chattering_since"))
    flood = func.count().filter(last.c.onset_ns > _at("flood_since"))
    columns: list[Any] = [literal(""), null(), chattering, flood]
    return select(*columns).select_from(last)


def _at(name: str) -> BindParameter[int]:
    return bindparam(name, type_=BigInteger)


_AROUND: Final = Question(union_all(_holding(), _before()))
