"""Notifications in browsers, while the processor runs: each browser that signed up is an endpoint of its own."""

from collections.abc import Callable
from functools import partial

import structlog

from strikewatch.core.instant import Instant
from strikewatch.settings.tree import Settings
from strikewatch.sinks import Endpoint
from strikewatch.sinks.address import Resolver, system_resolver
from strikewatch.sinks.dispatcher import Dispatcher
from strikewatch.sinks.filter import Filter
from strikewatch.sinks.web_push import PushSender, SigningKey
from strikewatch.storage.actions import push_subscriptions as table
from strikewatch.storage.actions import tokens
from strikewatch.storage.actions.push_subscriptions import PushSubscription
from strikewatch.storage.commit.store import Store
from strikewatch.storage.outbox.deliveries import queue_test

_log = structlog.get_logger(__name__)


class PushEndpoints:
    """Adds and removes browsers. Any thread may call every method. Raises SettingsError if the key cannot be used."""

    def __init__(
        self,
        settings: Settings,
        store: Store,
        dispatcher: Dispatcher,
        wall: Callable[[], Instant],
        resolve: Resolver = system_resolver,
    ) -> None:
        self._settings = settings
        self._store = store
        self._dispatcher = dispatcher
        self._wall = wall
        self._resolve = resolve
        self._key = SigningKey.load(settings.push)
        self.public_key = self._key.public

    def restore(self) -> None:
        """Deliver to the browsers on record. Raises StoreError."""
        with self._store.read() as connection:
            stored = table.subscriptions(connection)
        for subscription in stored:
            self._deliver_to(subscription)

    def find(self, who: str, name: str) -> PushSubscription | None:
        """Return the browser that a person's token signed up under the name of an endpoint."""
        with self._store.read() as connection:
            stored = table.subscriptions(connection)
        return next((one for one in stored if (one.who, one.name) == (who, name)), None)

    def subscribe(self, subscription: PushSubscription) -> None:
        """Deliver to one more browser, or to a known one with other choices. Raises Refused, StoreError."""
        self._dispatcher.remove(subscription.name)
        with self._store.write() as connection:
            table.add(connection, subscription)
        self._deliver_to(subscription)
        _log.info("push_added", endpoint=subscription.name, by=subscription.who)

    def remove(self, name: str, reason: str) -> None:
        """Deliver to a browser no more. Raises StoreError."""
        self._dispatcher.remove(name)
        with self._store.write() as connection:
            table.remove(connection, name)
        self._store.remove_endpoint(name, reason, self._wall())
        _log.info("push_removed", endpoint=name, reason=reason)

    def queue_test(self, name: str) -> int:
        """Queue a test for a browser; return its number."""
        with self._store.write() as connection:
            return queue_test(connection, name, self._wall())

    def _deliver_to(self, subscription: PushSubscription) -> None:
        with self._store.read() as connection:
            holder = tokens.valid_holder(connection, subscription.who)
        name, sites = subscription.name, () if holder is None else tuple(sorted(holder.sites or ()))
        accepted = Filter(sites=sites, lowest=subscription.lowest)
        zone = self._settings.sites.zone_of("")
        self._store.add_endpoint(
            name, subscription.push_service, lambda record: accepted.passes(record, None, zone)
        )
        sender = PushSender(
            subscription,
            self._settings.push,
            self._key,
            partial(self._is_valid, subscription.who),
            self._resolve,
        )
        gone = partial(self.remove, name, "the browser or its token is no longer there")
        self._dispatcher.add(Endpoint(name, self._settings.push, sender, gone))

    def _is_valid(self, who: str) -> bool:
        with self._store.read() as connection:
            return tokens.valid_holder(connection, who) is not None
