"""A client can be disconnected whenever its network thread ends."""

from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from strikewatch.sources.mqtt.network_thread import disconnect


class EndsMeanwhile(paho.Client):
    """A client whose network thread ends between the check and the wait in `loop_stop`."""

    def __setattr__(self, name: str, value: Any) -> None:
        super().__setattr__(name, value)
        if name == "_thread_terminate" and value:
            thread: Any = self._thread
            thread.join()  # it sets the attribute to None


def test_a_network_thread_that_ends_meanwhile_is_no_error() -> None:
    broken, client = (EndsMeanwhile(CallbackAPIVersion.VERSION2) for _ in range(2))
    broken.loop_start()
    with pytest.raises(AttributeError):
        broken.loop_stop()
    client.loop_start()
    disconnect(client)
    assert client._thread is None
