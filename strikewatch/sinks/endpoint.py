"""An endpoint as the courier knows it, whatever carries its messages."""

from dataclasses import dataclass

from strikewatch.sinks.address import Resolver, look_up
from strikewatch.sinks.http_post import Poster
from strikewatch.sinks.retry_schedule import Schedule
from strikewatch.sinks.sender import Sender
from strikewatch.sinks.settings import WebhookSettings
from strikewatch.sinks.target import read_secrets


@dataclass(frozen=True, slots=True)
class Endpoint:
    """What an endpoint is called, when it is tried again, and what carries messages to it."""

    name: str
    schedule: Schedule
    sender: Sender


def of_webhook(settings: WebhookSettings, resolve: Resolver = look_up) -> Endpoint:
    """Raises SettingsError where a secret cannot be read."""
    keys = read_secrets(settings, f"webhook {settings.name}")
    return Endpoint(settings.name, settings, Poster(settings, keys, resolve))
