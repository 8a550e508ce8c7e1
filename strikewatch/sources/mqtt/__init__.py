"""MQTT: `Subscriber` receives messages from a broker, and acknowledges those the caller has finished with.

subscriber.py  the network thread and its status        settings.py         broker, credentials and limits
session.py     one connection, from CONNECT to its end  publish_packets.py  reads messages from what was received
connect.py     the socket: TLS, large buffers           fair_queue.py       takes hammers in turn
inbox.py       what waits between the two threads
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from strikewatch.sources.mqtt.fair_queue import Message
    from strikewatch.sources.mqtt.settings import Settings, TlsSettings
    from strikewatch.sources.mqtt.subscriber import CONNECTING, IN_USE, Status, Subscriber

__all__ = ["CONNECTING", "IN_USE", "Message", "Settings", "Status", "Subscriber", "TlsSettings"]

_MODULES: Final = {"Message": "fair_queue", "Settings": "settings", "TlsSettings": "settings"}
"""Where names are; the others are in `subscriber`, which needs the MQTT client."""


def __getattr__(name: str) -> Any:
    """Import a name when it is used, so that reading settings loads no MQTT client."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_MODULES.get(name, 'subscriber')}"), name)
