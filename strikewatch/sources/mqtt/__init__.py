"""Messages from an MQTT broker, none lost: `Subscriber` takes them in, and acknowledges those the caller is done with.

subscriber.py  the thread, the queue, who is told what    settings.py  where the broker is, and as whom
link.py        one connection, from CONNECT to its end    wire.py      a socket read and written in large pieces
dial.py        the way to the broker's socket             fair.py      each hammer in its turn
"""

from strikewatch.sources.mqtt.fair_queue import Message
from strikewatch.sources.mqtt.settings import Settings, TlsSettings
from strikewatch.sources.mqtt.subscriber import CONNECTING, Status, Subscriber

__all__ = ["CONNECTING", "Message", "Settings", "Status", "Subscriber", "TlsSettings"]
