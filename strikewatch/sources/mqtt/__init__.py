"""Messages from an MQTT broker, none lost: `Subscriber` takes them in, and acknowledges those the caller is done with.

subscriber.py  the thread, the queue, who is told what    settings.py  where the broker is, and as whom
link.py        one connection, from CONNECT to its end    wire.py      a socket read and written in large pieces
dial.py        the way to the broker's socket             fair.py      each hammer in its turn
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from strikewatch.sources.mqtt.fair_queue import Message
    from strikewatch.sources.mqtt.settings import Settings, TlsSettings
    from strikewatch.sources.mqtt.subscriber import CONNECTING, Status, Subscriber

__all__ = ["CONNECTING", "Message", "Settings", "Status", "Subscriber", "TlsSettings"]

_MODULES: Final = {"Message": "fair_queue", "Settings": "settings", "TlsSettings": "settings"}
"""Where names are; the others are in `subscriber`, which needs the MQTT client."""


def __getattr__(name: str) -> Any:
    """Import a name when it is used, so that reading settings loads no MQTT client."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_MODULES.get(name, 'subscriber')}"), name)
