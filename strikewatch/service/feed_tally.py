"""Buffered counts of unused data of the feeds: duplicates, and unknown keys by name.

The first count of a kind is written with the next step, later ones at most every `WRITE_EVERY_NS`, so that a gateway
with an unknown key in every message does not cause a write per message. Counts of the last seconds before a stop are
lost.
"""

from collections.abc import Sequence
from typing import Final

import structlog

from strikewatch.core.batch import Key
from strikewatch.core.instant import SECOND, Instant
from strikewatch.sources.decode.samples import KEYS as SAMPLE_KEYS
from strikewatch.sources.reasons import similar_key, unknown_key_message
from strikewatch.storage.commit.step import FeedCount

_log: Final = structlog.get_logger("worker")

WRITE_EVERY_NS: Final = 10 * SECOND
MAX_KEYS: Final = 20
"""How many unknown keys of a hammer are counted by name; others are counted together."""
MAX_NAMED: Final = 1000
"""How many unknown keys of all hammers are counted by name: as many problems as the database keeps."""
MAX_WRITTEN: Final = 10_000
"""Of how many kinds of counts it is known that they were written before."""
OTHER_KEYS: Final = "more unknown keys than are listed individually"


class FeedTally:
    """The counts of all hammers. Instants are monotonic."""

    def __init__(self) -> None:
        self._keys: dict[Key, dict[str, str]] = {}  # hammer → unknown key → advice
        self._named = 0
        self.waiting: dict[tuple[Key, str, str], int] = {}
        """Counts by hammer, reason and name that are not written yet."""
        self._written: set[tuple[Key, str, str]] = set()
        self._fresh = False  # whether something waits that was never written
        self._next: Instant = 0

    def unknown(self, key: Key, names: Sequence[str], known: Sequence[str] = SAMPLE_KEYS) -> None:
        """Count the unknown keys of one message and log the first of each; `known`: the valid keys."""
        seen = self._keys.setdefault(key, {})
        for name in names:
            if name not in seen and len(seen) < MAX_KEYS and self._named < MAX_NAMED:
                self._named += 1
                meant = similar_key(name, known)
                seen[name] = unknown_key_message(name, meant)
                _log.warning(
                    "unknown_key",
                    site=key[0],
                    hammer=key[1],
                    key=name,
                    nearest=meant,
                    remedy=f"{seen[name]} `strikewatch channels` lists all channels",
                )
            self._add(key, "unknown_key", name if name in seen else "", 1)

    def duplicates(self, key: Key, n: int) -> None:
        """Count rows that arrived before."""
        self._add(key, "duplicate", "", n)

    def take(self, now: Instant) -> list[FeedCount]:
        """Return the counts to be written now, and clear them."""
        if not self.waiting or not (self._fresh or now >= self._next):
            return []
        found = [
            FeedCount(key, reason, n, name, self._detail(key, reason, name))
            for (key, reason, name), n in self.waiting.items()
        ]
        if len(self._written) < MAX_WRITTEN:
            self._written.update(self.waiting)
        self.waiting.clear()
        self._fresh, self._next = False, now + WRITE_EVERY_NS
        return found

    def _add(self, key: Key, reason: str, name: str, n: int) -> None:
        what = key, reason, name
        self.waiting[what] = self.waiting.get(what, 0) + n
        if what not in self._written and len(self._written) < MAX_WRITTEN:
            self._fresh = True

    def _detail(self, key: Key, reason: str, name: str) -> str:
        if reason != "unknown_key":
            return ""
        return self._keys[key][name] if name else OTHER_KEYS
