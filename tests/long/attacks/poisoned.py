"""`strikewatch` in which some payloads end the process at once, as a kernel short of memory would.

The operator `op-poison` ends it while the message is decoded, `op-poison-step` in the same step but later, and
`op-poison-commit` during the commit.
"""

import os
import signal
from typing import Any

from strikewatch.cli.main import main
from strikewatch.service.intake import Decoder, Intake
from strikewatch.storage.commit.store import Store

MARK = "op-poison"
STEP_MARK = "op-poison-step"
COMMIT_MARK = "op-poison-commit"

_decode, _order_rows, _commit = Decoder.decode, Intake.order_rows, Store.commit


def end_if(found: bool) -> None:
    if found:
        os.kill(os.getpid(), signal.SIGKILL)


def decode(self: Decoder, message: Any, step: Any) -> None:
    check = self._check

    def checked(one: Any) -> None:
        if check is not None:
            check(one)
        end_if(f'"{MARK}"'.encode() in one.payload)

    self._check = checked
    try:
        _decode(self, message, step)
    finally:
        self._check = check


def order_rows(self: Intake, step: Any, now: int) -> Any:
    end_if(any(event.fields.get("operator") == STEP_MARK for event in step.events))
    return _order_rows(self, step, now)


def commit(self: Store, step: Any) -> None:
    end_if(any(event.fields.get("operator") == COMMIT_MARK for event in step.events))
    _commit(self, step)


Decoder.decode = decode  # type: ignore[method-assign]
Intake.order_rows = order_rows  # type: ignore[method-assign]
Store.commit = commit  # type: ignore[method-assign]

if __name__ == "__main__":
    main()
