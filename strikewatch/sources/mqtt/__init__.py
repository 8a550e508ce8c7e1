"""MQTT: `Subscriber` receives messages from a broker, and acknowledges those the caller has finished with.

subscriber.py  the network thread, queue and status       settings.py         broker, credentials and limits
session.py     one connection, from CONNECT to its end    buffered_socket.py  a socket with large buffers
connect.py     opens the socket, with TLS                 fair_queue.py       takes hammers in turn
"""

from strikewatch.sources.mqtt.fair_queue import Message
from strikewatch.sources.mqtt.settings import Settings, TlsSettings
from strikewatch.sources.mqtt.subscriber import CONNECTING, Status, Subscriber

__all__ = ["CONNECTING", "Message", "Settings", "Status", "Subscriber", "TlsSettings"]
