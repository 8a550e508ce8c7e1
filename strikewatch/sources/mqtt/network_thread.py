"""End the network thread that paho's client runs after `loop_start`."""

from contextlib import suppress

import paho.mqtt.client as paho


def disconnect(client: paho.Client) -> None:
    """Disconnect, and wait until the network thread has ended.

    The thread ends by itself once it has disconnected. `loop_stop` of paho 2 fails if that happens while it looks.
    """
    client.disconnect()
    with suppress(AttributeError):
        client.loop_stop()
