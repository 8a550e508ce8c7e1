"""Create the endpoints of the settings, and the store that queues messages for them."""

from strikewatch.settings.tree import Settings
from strikewatch.sinks import Endpoint, mqtt
from strikewatch.sinks.filter import Filter, Routes
from strikewatch.sinks.settings import MQTT_ALERTS
from strikewatch.sinks.webhook import webhook_endpoint
from strikewatch.storage.commit.store import Store
from strikewatch.storage.queries.active import sent_records


def addresses(settings: Settings) -> dict[str, str]:
    """Return the address of each endpoint, by its name."""
    found = {webhook.name: webhook.url for webhook in settings.webhooks}
    if settings.mqtt_alerts.publish:
        found[MQTT_ALERTS] = f"mqtt://{settings.mqtt.host}:{settings.mqtt.port}"
    return found


def open_store(settings: Settings) -> Store:
    """Open the store, which queues messages for every endpoint whose filter accepts them. Raises StoreError."""
    return Store(
        settings.store.where,
        addresses(settings),
        settings.store.rejects_kept,
        settings.alarms,
        _routes(settings),
        settings.store.reserve_mib,
    )


def endpoints(settings: Settings, store: Store) -> list[Endpoint]:
    """Return all endpoints, ready to send. Raises SettingsError if a secret cannot be read."""
    found = [webhook_endpoint(one) for one in settings.webhooks]
    if settings.mqtt_alerts.publish:
        routes = _routes(settings)
        found.append(
            mqtt.endpoint(
                settings.mqtt_alerts,
                settings.mqtt,
                lambda site, hammer: [
                    one for one in sent_records(store, site, hammer) if routes(MQTT_ALERTS, one, None)
                ],
            )
        )
    return found


def _routes(settings: Settings) -> Routes:
    filters: dict[str, Filter] = {webhook.name: webhook.filter for webhook in settings.webhooks}
    return Routes(filters | {MQTT_ALERTS: settings.mqtt_alerts.filter}, settings.sites)
