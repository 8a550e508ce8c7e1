"""The process in which the pip-installed broker runs, since it cannot be stopped otherwise: HOST PORT.

It ends when its standard input closes, so it never outlives whoever started it.
"""

import logging
import os
import sys
import threading
from typing import Final

from iotcore import IotCoreBroker

MAX_PAYLOAD_BYTES: Final = 1_048_576
"""Its default of 20,480 silently drops a gateway's backlog."""


def _end_with_parent() -> None:
    sys.stdin.buffer.read()
    os._exit(0)


def main(host: str, port: int) -> None:
    """Serve until killed."""
    # Its spans come out as errors, one for every packet.
    logging.getLogger("rumqttd").setLevel(logging.CRITICAL)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    IotCoreBroker(listen=host, port=port, max_payload_size=MAX_PAYLOAD_BYTES).run_forever()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
