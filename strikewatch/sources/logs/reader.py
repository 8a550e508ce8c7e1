"""The base of readers of logger files: records of tables and signals, frames of CAN logs, and how files are opened.

A log is read in chunks, so that memory stays bounded. Error frames and remote frames carry no values; they are passed
over and counted. Some formats need an optional library, which is imported only there.
"""

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Ints
from strikewatch.errors import InputError
from strikewatch.sources.logs.channels import Use
from strikewatch.sources.logs.records import LeftOut, Records

_EXTRAS: Final = {
    "can": ("cantools", "CAN logs"),
    "mdf": ("asammdf", "MDF files"),
    "excel": ("python_calamine", "Excel files"),
}
EXTENDED: Final = 1 << 31
"""Added to an identifier of 29 bits, as some identifiers exist in both lengths."""
CHUNK_FRAMES: Final = 65_536
Bytes = npt.NDArray[np.uint8]


def require_extra(extra: str, path: Path) -> None:
    """Raise InputError with the command to install an extra if its library is missing."""
    module, what = _EXTRAS[extra]
    if find_spec(module) is None:
        raise InputError(f"{path}: {what} need an extra: pip install 'strikewatch[{extra}]'")


class _Log(ABC):
    """An open log, whatever its format."""

    absolute = True
    """Whether its times, apart from columns, are instants; otherwise they count from the start of the log."""

    wall_start_ns: int | None = None
    """When such a log began, on its own clock; None if it has no date. Valid from the first part on."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.left_out = LeftOut()
        """Records that cannot be read."""
        self.passed_over: Counter[str] = Counter()
        """Records that carry no values, or are not asked for, by kind."""

    def close(self) -> None:  # noqa: B027  # few keep a file open
        """Close the file."""

    @abstractmethod
    def position(self) -> int:
        """Return the number of bytes read."""


class LogReader(_Log):
    """Reads one file. `names`: the signals that `named` may name; of tables none."""

    own_times = False
    """Whether the format has times apart from columns or signals: time = { as = "log" }."""

    names: Sequence[str] = ()

    @abstractmethod
    def column(self, path: str) -> str:
        """Return the column that a path names. Raises InputError."""

    @abstractmethod
    def records(self, wanted: Mapping[str, Sequence[Use]]) -> Iterator[Records]:
        """Yield the wanted columns, each with the channels that it gives. Raises InputError."""


@dataclass(frozen=True, slots=True)
class Frames:
    """Data frames in the order of the log: one array element, or row of `data`, per frame.

    `time_ns`: ns since the epoch, or since the start of the log. `key`: the identifier, plus EXTENDED if it has 29
    bits. `bus`: index into `buses`. `data`: uint8 [n, width], zero behind the `length` bytes of each frame.
    """

    time_ns: Ints
    key: Ints
    bus: Ints
    buses: tuple[str, ...]
    data: Bytes
    length: Ints

    def __len__(self) -> int:
        return len(self.time_ns)

    def select(self, rows: Any) -> "Frames":
        """Return the frames of a mask or of indices."""
        return Frames(
            self.time_ns[rows], self.key[rows], self.bus[rows], self.buses, self.data[rows], self.length[rows]
        )

    @staticmethod
    def of(
        time_ns: Ints, key: Ints, buses: Iterable[str], data: Sequence[bytes], *, hexadecimal: bool = False
    ) -> "Frames":
        """Create from one bus name and payload per frame. `hexadecimal`: payloads are pairs of digits."""
        names: dict[str, int] = {}
        bus = np.array([names.setdefault(name, len(names)) for name in buses], np.int64)
        length = np.array(list(map(len, data)), np.int64)
        width = 8 if not len(length) or length.max() <= (16 if hexadecimal else 8) else 64
        if hexadecimal:
            length //= 2
            padded = bytes.fromhex(b"".join([digits.ljust(2 * width, b"0") for digits in data]).decode())
        else:
            padded = b"".join([payload.ljust(width, b"\0") for payload in data])
        table = np.frombuffer(padded, np.uint8).reshape(len(data), width)
        return Frames(time_ns, key, bus, tuple(names), table, length)


class CanLog(_Log):
    """A CAN log; lines that cannot be read are left out, frames that carry no values passed over."""

    absolute = False

    @abstractmethod
    def chunks(self) -> Iterator[Frames]:
        """Yield the frames in the order of the log. Raises InputError."""


def open_can_log(path: Path, head: bytes) -> CanLog:
    """Open a CAN log by its first bytes. Raises InputError."""
    if head.startswith((b"MDF     ", b"UnFinMF ")):
        from strikewatch.sources.logs.mdf import MdfCanLog

        return MdfCanLog(path)
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    suffix = ".blf" if head.startswith(b"LOGG") else ".trc" if text.startswith(b";") else ""
    if not suffix and text[:4].lower() in (b"date", b"base"):
        suffix = ".asc"
    if suffix:
        from strikewatch.sources.logs.can_files import CanFileLog

        return CanFileLog(path, suffix)
    from strikewatch.sources.logs.candump import CandumpLog

    return CandumpLog(path)


def open_bytes(path: Path) -> tuple[IO[bytes], IO[bytes]]:
    """Open a file, unpacked if its name ends in `.gz`; return it and the file on disk, for its position.

    Raises InputError.
    """
    try:
        raw = path.open("rb")
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); check the path and its permissions"
        ) from None
    if path.suffix.lower() != ".gz":
        return raw, raw
    import gzip

    unpacked: Any = gzip.GzipFile(fileobj=raw)
    return unpacked, raw
