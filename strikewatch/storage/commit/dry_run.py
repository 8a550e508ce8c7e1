"""Find out which messages a step would queue, so that they can be sent before the step can be stored."""

from collections.abc import Sequence

from sqlalchemy import func, select

from strikewatch.core.alert import Change
from strikewatch.core.instant import Instant
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.messages import MESSAGE, Message
from strikewatch.storage.schema.tables import outbox


class _RollbackError(Exception):
    """End the transaction without a commit."""


def queued_messages(store: Store, changes: Sequence[Change], now: Instant) -> list[tuple[str, Message]]:
    """Return (endpoint, message) for every message that a step at `now` with these changes would queue.

    The step runs in a transaction that is rolled back, so this works on a full disk. The message names are those that
    the committed step will use. Raises StoreError.
    """
    messages: list[tuple[str, Message]] = []
    try:
        with store.write() as connection:
            last_seq = connection.scalar(select(func.max(outbox.c.seq))) or 0
            store.store_changes(connection, changes, now)
            query = (
                MESSAGE.add_columns(outbox.c.endpoint).where(outbox.c.seq > last_seq).order_by(outbox.c.seq)
            )
            messages += [(endpoint, Message(*row)) for *row, endpoint in connection.execute(query)]
            raise _RollbackError
    except _RollbackError:
        return messages
