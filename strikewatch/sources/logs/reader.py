"""What reads a logger file: one class per format, some with an optional library that is imported only where needed."""

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from strikewatch.errors import InputError
from strikewatch.sources.logs.channels import Use
from strikewatch.sources.logs.records import Left, Records

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


class LogReader(ABC):
    """Reads one file. `names`: the signals that `named` may name; of tables none."""

    own_times = False
    """Whether the format has times apart from columns or signals: time = { as = "log" }."""

    absolute = True
    """Whether `Records.time_ns`, if given, are instants; otherwise they count from the start of the log."""

    wall_start_ns: int | None = None
    """When such a log began, on its own clock; None if it has no date."""

    names: Sequence[str] = ()

    def __init__(self, path: Path) -> None:
        self.path = path
        self.left = Left()
        """Records that cannot be read."""
        self.passed_over: Counter[str] = Counter()
        """Records that carry no values, or are not asked for, by kind."""

    @abstractmethod
    def column(self, path: str) -> str:
        """Return the column that a path names. Raises InputError."""

    @abstractmethod
    def records(self, wanted: Mapping[str, Sequence[Use]]) -> Iterator[Records]:
        """Yield the wanted columns, each with the channels that it gives. Raises InputError."""

    def close(self) -> None:  # noqa: B027  # few readers keep a file open
        """Close the file."""

    @abstractmethod
    def position(self) -> int:
        """Return the number of bytes read."""
