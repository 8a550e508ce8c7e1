"""Messages from an MQTT broker, none lost: `Subscriber` takes them in, and acknowledges those the caller is done with.

subscriber.py  the thread, the queue, who is told what    settings.py  where the broker is, and as whom
link.py        one connection, from CONNECT to its end    wire.py      a socket read and written in large pieces
dial.py        the way to the broker's socket             fair.py      each hammer in its turn
"""

from strikewatch.intake.mqtt.fair import Message
from strikewatch.intake.mqtt.settings import Settings, TlsSettings
from strikewatch.intake.mqtt.subscriber import CONNECTING, Status, Subscriber

__all__ = ["CONNECTING", "Message", "Settings", "Status", "Subscriber", "TlsSettings"]
