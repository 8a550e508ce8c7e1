"""An endpoint of the dispatcher, for any kind of sender."""

from dataclasses import dataclass

from strikewatch.sinks.address import Resolver, system_resolver
from strikewatch.sinks.http_post import Poster
from strikewatch.sinks.retry_schedule import Schedule
from strikewatch.sinks.sender import Sender
from strikewatch.sinks.settings import WebhookSettings
from strikewatch.sinks.target import read_secrets


@dataclass(frozen=True, slots=True)
class Endpoint:
    """An endpoint: its name, its retry schedule, and the sender of its messages."""

    name: str
    schedule: Schedule
    sender: Sender


def webhook_endpoint(settings: WebhookSettings, resolve: Resolver = system_resolver) -> Endpoint:
    """Return the endpoint of a webhook. Raises SettingsError if its secret cannot be read."""
    keys = read_secrets(settings, f"webhook {settings.name}")
    return Endpoint(settings.name, settings, Poster(settings, keys, resolve))
