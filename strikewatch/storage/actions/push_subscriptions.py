"""The browsers that get notifications. Each is an endpoint of the outbox under a name of its own."""

import hashlib
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from sqlalchemy import Connection, delete, func, insert, select

from strikewatch.core.alert import Priority
from strikewatch.core.instant import Instant
from strikewatch.errors import Refused
from strikewatch.storage.schema.tables import push_subscriptions

MOST: Final = 50
"""Browsers altogether: each takes a thread of the processor."""
PREFIX: Final = "push-"
"""Begins the name of the endpoint of a browser."""


@dataclass(frozen=True, slots=True)
class PushSubscription:
    """A browser: whose token it uses, where its push service takes messages, and its keys (base64url).

    `lowest`: the lowest priority that is sent. `made`: wall time.
    """

    who: str
    url: str
    public_key: str
    auth: str
    lowest: Priority
    made: Instant

    @property
    def name(self) -> str:
        """The name of its endpoint."""
        return endpoint_name(self.url)

    @property
    def push_service(self) -> str:
        """The origin of its push service; the rest of the address is a secret of the browser."""
        parts = urlsplit(self.url)
        return f"{parts.scheme}://{parts.netloc}"


def endpoint_name(url: str) -> str:
    """Return the name of the endpoint of a browser's address."""
    return PREFIX + hashlib.blake2b(url.encode(), digest_size=6).hexdigest()


def add(connection: Connection, subscription: PushSubscription) -> None:
    """Store a browser, in place of an earlier subscription of it. Raises Refused if there are too many."""
    remove(connection, subscription.name)
    if (connection.scalar(select(func.count()).select_from(push_subscriptions)) or 0) >= MOST:
        raise Refused(f"{MOST} browsers get notifications already; switch them off in one that needs none")
    row = {
        "name": subscription.name,
        "who": subscription.who,
        "url": subscription.url,
        "public_key": subscription.public_key,
        "auth": subscription.auth,
        "lowest": subscription.lowest,
        "made_ns": subscription.made,
    }
    connection.execute(insert(push_subscriptions).values(row))


def remove(connection: Connection, name: str) -> bool:
    """Remove a browser by the name of its endpoint; return whether it was there."""
    return (
        connection.execute(delete(push_subscriptions).where(push_subscriptions.c.name == name)).rowcount > 0
    )


def subscriptions(connection: Connection) -> list[PushSubscription]:
    """Return all browsers, the oldest first."""
    c = push_subscriptions.c
    query = select(c.who, c.url, c.public_key, c.auth, c.lowest, c.made_ns).order_by(c.made_ns, c.name)
    return [PushSubscription(*row) for row in connection.execute(query)]
