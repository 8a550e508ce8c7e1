"""Run a broker until standard input closes, so that it ends with the process that started it.

`mosquitto PROGRAM CONFIG` runs that program; `iotcore HOST PORT` runs in this process.
"""

import logging
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import Final

MAX_PAYLOAD_BYTES: Final = 1_048_576
"""Instead of iotcore's 20,480, beyond which it silently drops a gateway's backlog."""


def _when_input_closes(end: Callable[[], object]) -> None:
    def watch() -> None:
        sys.stdin.buffer.read()
        end()

    threading.Thread(target=watch, daemon=True).start()


def _mosquitto(program: str, config: str) -> int:
    process = subprocess.Popen([program, "-c", config], stdin=subprocess.DEVNULL)
    _when_input_closes(process.terminate)
    return process.wait()


def _iotcore(host: str, port: str) -> int:
    from iotcore import IotCoreBroker

    # It logs its spans as errors, one per packet.
    logging.getLogger("rumqttd").setLevel(logging.CRITICAL)
    # It can only be stopped by ending its process.
    _when_input_closes(lambda: os._exit(0))
    IotCoreBroker(listen=host, port=int(port), max_payload_size=MAX_PAYLOAD_BYTES).run_forever()
    return 0


if __name__ == "__main__":
    sys.exit({"mosquitto": _mosquitto, "iotcore": _iotcore}[sys.argv[1]](*sys.argv[2:4]))
