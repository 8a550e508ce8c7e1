"""External programs that tests need: found, or the test is skipped with the reason.

With STRIKEWATCH_ALL=1, as in CI, a missing one is a failure. `STRIKEWATCH_HIDE=mosquitto,postgres,chromium` treats
programs as not installed, which shows what the tests do on a bare machine.
"""

import os
from typing import Final, NoReturn

import pytest

from strikewatch.programs import find_program

PACKAGES: Final = {
    "cc": "gcc",
    "chattr": "e2fsprogs",
    "mosquitto_passwd": "mosquitto",
    "postgres": "postgresql",
    "setpriv": "util-linux",
    "systemd-analyze": "systemd",
}
"""Debian's package of a program, where it has another name."""
SKIPPED: Final = pytest.StashKey[bool]()
"""In the stash of a test that was skipped while it ran: fixtures have nothing to check then."""


def need_program(name: str) -> str:
    """Return the path of a program. Skip the test without it."""
    return find_program(name) or skip(f"needs {name} (Debian: apt-get install {PACKAGES.get(name, name)})")


def skip(reason: str) -> NoReturn:
    """Skip the running test; fail it with STRIKEWATCH_ALL=1."""
    if os.environ.get("STRIKEWATCH_ALL") == "1":
        pytest.fail(reason)
    pytest.skip(reason)
