"""What needs somebody now, as the page shows it: every active alert, what is muted, and ended alerts in groups."""

import hashlib
from collections import Counter
from collections.abc import Collection, Sequence
from typing import Any, Final

from markupsafe import Markup

from strikewatch.core.alert import PRIORITIES
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.lifecycle import ACTIVE, SUPPRESSED
from strikewatch.storage.engines.shared import DatabaseAccess
from strikewatch.storage.queries.active import Mute, change_signature, count_sent, ended_groups, list_mutes
from strikewatch.storage.queries.alerts import Filter, ListedAlert, search
from strikewatch.web.pages.formatting import View
from strikewatch.web.pages.timelines import Drawing
from strikewatch.web.pages.translations import Words

CARDS: Final = 12
"""Alerts shown with what happened and what to do, the gravest; further ones and those of low priority have a line."""
DAY: Final = 86_400 * SECOND


class ActiveAlerts:
    """`suppressed` are the faults that the settings name."""

    def __init__(self, place: DatabaseAccess, drawing: Drawing, suppressed: Collection[str]) -> None:
        self._place = place
        self._drawing = drawing
        self._suppressed = suppressed

    def look(self, view: View, now: Instant, strips: bool = False) -> dict[str, Any]:
        """The variables of `_open.html`; `strips`: with the hours around the gravest. Raises StoreError."""
        with self._place.read() as connection:
            active = search(connection, Filter(states=ACTIVE), order="gravity")
            muted = list_mutes(connection, self._suppressed)
            groups = ended_groups(connection)
            day = count_sent(connection, now - DAY)
        waiting = [one for one in active if one.state == "unacknowledged"]
        cards = [one for one in waiting if one.record["priority"] != "low"][:CARDS]
        acknowledged = [one for one in active if one.state == "acknowledged"]
        aside = [one for one in active if one.state in SUPPRESSED]
        drawn = {
            one.record["id"]: Markup(self._drawing.around(one.record, view, now))
            for one in (cards if strips else ())
        }
        return {
            "headline": headline(view.words, [*waiting, *acknowledged], aside),
            "cards": cards,
            "more": waiting[len(cards) :],
            "acknowledged": acknowledged,
            "muted_alerts": aside,
            "mutes": muted,
            "muted_hammers": _by_hammer(muted),
            "ended": groups,
            "ended_count": sum(one.count for one in groups),
            "day": day,
            "strips": drawn,
        }

    def version(self) -> str:
        """What is another whenever anything of it is. Raises StoreError."""
        digest = hashlib.sha256()
        with self._place.read() as connection:
            for row in change_signature(connection):
                digest.update(repr(row).encode())
            digest.update(repr(list_mutes(connection, self._suppressed)).encode())
        return digest.hexdigest()


def headline(words: Words, active: Sequence[ListedAlert], muted: Sequence[ListedAlert]) -> str:
    """How many alerts are active, of which priorities; those that are muted are counted apart."""
    if not active:
        said = words("now.quiet")
    else:
        many = words("now.one") if len(active) == 1 else words("now.many", n=len(active))
        said = words("now.which", said=many, parts=_parts(words, active))
    return words("now.and_muted", said=said, parts=_parts(words, muted)) if muted else said


def _parts(words: Words, listed: Sequence[ListedAlert]) -> str:
    """1 high, 5 medium."""
    n = Counter(str(one.record["priority"]) for one in listed)
    return ", ".join(f"{n[one]} {words(f'priority.{one}')}" for one in PRIORITIES[::-1] if n[one])


def _by_hammer(found: Sequence[Mute]) -> dict[str, list[Mute]]:
    """Key of a hammer's row → what is muted of that hammer alone."""
    by_hammer: dict[str, list[Mute]] = {}
    for one in found:
        if one.hammer:
            by_hammer.setdefault(f"{one.site}/{one.hammer}", []).append(one)
    return by_hammer
