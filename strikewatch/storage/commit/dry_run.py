"""What would be queued for whom, learned by doing it and taking it back: so that it can be told before it is stored."""

from collections.abc import Sequence

from sqlalchemy import func, select

from strikewatch.core.alert import Change
from strikewatch.core.instant import Instant
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import MESSAGE, Message
from strikewatch.storage.schema.tables import outbox


class _TakenBackError(Exception):
    """Ends the transaction without a commit."""


def rehearse(store: Store, changes: Sequence[Change], now: Instant) -> list[tuple[str, Message]]:
    """(endpoint, message) of all that a step at `now` with these changes would queue, under the same names.

    A full disk does not stand in the way, since nothing is written. Raises StoreError.
    """
    found: list[tuple[str, Message]] = []
    try:
        with store.write() as connection:
            last = connection.scalar(select(func.max(outbox.c.seq))) or 0
            store.book(connection, changes, now)
            asked = MESSAGE.add_columns(outbox.c.endpoint).where(outbox.c.seq > last).order_by(outbox.c.seq)
            found += [(endpoint, Message(*row)) for *row, endpoint in connection.execute(asked)]
            raise _TakenBackError
    except _TakenBackError:
        return found
