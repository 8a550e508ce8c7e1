"""`strikewatch` in which one payload ends the process at once, as a kernel short of memory would."""

import os
import signal
from typing import Any

from strikewatch.sources import decode as decoding

MARK = b"op-poison"
_decode = decoding.decode


def decode(topic: str, payload: bytes, *args: Any, **options: Any) -> Any:
    if MARK in payload:
        os.kill(os.getpid(), signal.SIGKILL)
    return _decode(topic, payload, *args, **options)


decoding.decode = decode

if __name__ == "__main__":
    from strikewatch.cli.main import main  # imports the worker, which takes the function from there

    main()
