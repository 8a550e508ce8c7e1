"""Find external programs: the broker, the browser, the database server. All are optional."""

import os
import shutil
from pathlib import Path
from typing import Final

HIDDEN: Final = "STRIKEWATCH_HIDE"
"""Environment variable: names of programs, divided by commas, to treat as not installed. The tests use it."""
_NAMES: Final = {"chromium": ("chromium", "chromium-browser")}
# Debian installs servers outside the usual search path.
_FOLDERS: Final = ("/usr/sbin", "/usr/local/sbin", "/usr/lib/postgresql/*/bin")


def find_program(name: str) -> str | None:
    """Return the path of a program, of the newest version in `_FOLDERS`, or None if it is not installed."""
    if name in os.environ.get(HIDDEN, "").split(","):
        return None
    for alias in _NAMES.get(name, (name,)):
        if found := shutil.which(alias) or shutil.which(alias, path=os.pathsep.join(_folders())):
            return found
    return None


def _folders() -> list[str]:
    """Return the folders of `_FOLDERS` that exist, the highest version first."""
    found = [str(folder) for pattern in _FOLDERS for folder in Path("/").glob(pattern.removeprefix("/"))]
    return sorted(
        found, key=lambda folder: [int(part) for part in folder.split("/") if part.isdigit()], reverse=True
    )
