"""The optional libraries of logger files: each is imported only where a log needs it."""

from importlib.util import find_spec
from pathlib import Path
from typing import Final

from strikewatch.errors import InputError

_EXTRAS: Final = {
    "can": ("cantools", "CAN logs"),
    "mdf": ("asammdf", "MDF files"),
    "excel": ("python_calamine", "Excel files"),
}


def needs(extra: str, path: Path) -> None:
    """Raise InputError with the command to install an extra if its library is missing."""
    module, what = _EXTRAS[extra]
    if find_spec(module) is None:
        raise InputError(f"{path}: {what} need an extra: pip install 'strikewatch[{extra}]'")
