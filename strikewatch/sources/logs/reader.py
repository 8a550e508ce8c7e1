"""What reads a logger file: one class per format."""

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from strikewatch.sources.logs.channels import Use
from strikewatch.sources.logs.records import Left, Records


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
