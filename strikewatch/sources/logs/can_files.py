"""ASC, BLF and TRC, read by python-can (the extra `can`).

python-can would take the start in an ASC header as a time of this machine, and that of BLF and TRC as UTC. Here frames
count from the start of the log, and the caller places the start in the zone of the logger.
"""

import re
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, Final

import numpy as np

from strikewatch.core.instant import SECOND, seconds
from strikewatch.errors import InputError
from strikewatch.sources.logs.reader import CHUNK_FRAMES, EXTENDED, CanLog, Frames, open_bytes, require_extra

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MONTHS: Final = {"Mär": "Mar", "Mrz": "Mar", "Mai": "May", "Okt": "Oct", "Dez": "Dec"}
_ASC_DATE: Final = re.compile(
    r"(?:date|begin\s+triggerblock)\s+\w+\s+(\w+)\s+(\d+)\s+(\d+):(\d+):(\d+)(?:\.(\d+))?\s*([ap]m)?\s+(\d{4})",
    re.I,
)
_HEADER_LINES: Final = 64


class CanFileLog(CanLog):
    """An ASC, BLF or TRC log."""

    def __init__(self, path: Path, suffix: str) -> None:
        require_extra("can", path)
        super().__init__(path)
        self._suffix = suffix
        self._raw: IO[bytes] | None = None

    def position(self) -> int:
        return 0 if self._raw is None or self._raw.closed else self._raw.tell()

    def chunks(self) -> Iterator[Frames]:
        """Yield the frames. Raises InputError if the file is not of the format, or is damaged."""
        file, self._raw = open_bytes(self.path)
        with self._raw, file:
            messages = self._blf(file) if self._suffix == ".blf" else self._text(file)
            chunk: list[Any] = []
            for message in messages:
                if message.is_error_frame or message.is_remote_frame:
                    self.passed_over["error frames" if message.is_error_frame else "remote frames"] += 1
                    continue
                chunk.append(message)
                if len(chunk) == CHUNK_FRAMES:
                    yield _frames(chunk)
                    chunk = []
            if chunk:
                yield _frames(chunk)

    def _blf(self, file: IO[bytes]) -> Iterator[Any]:
        import struct

        from can.io.blf import BLFParseError, BLFReader

        n = 0
        try:
            reader = BLFReader(file)  # type: ignore[arg-type]
            start_s = reader.start_timestamp
            self.wall_start_ns = seconds(start_s) // 1_000_000 * 1_000_000 if start_s else None
            for message in reader:
                n += 1
                message.timestamp -= start_s
                yield message
            size = self.path.stat().st_size
            if file is self._raw and size < reader.file_size:  # python-can reads a cut file without a word
                self._damaged(n, f"{size:,} of {reader.file_size:,} bytes are there")
        except (BLFParseError, struct.error, ValueError, EOFError, OSError) as error:
            if not n:
                raise InputError(f"{self.path}: not a BLF log that can be read ({error})") from None
            self._damaged(n, error)
        except Exception as error:
            if type(error).__module__ != "zlib":
                raise
            self._damaged(n, error)

    def _damaged(self, n: int, why: object) -> None:
        self.left_out.add(
            "damaged", 1, f"after frame {n:,}: the rest of the file is damaged or missing ({why})"
        )

    def _text(self, file: IO[bytes]) -> Iterator[Any]:
        lines = _Lines(file)
        header = lines.header()
        if self._suffix == ".asc":
            self._check_asc(header)
            if not re.search(r"internal\s+events\s+logged", "".join(header), re.I):
                # python-can takes the first line that it does not know for the end of the header, and drops it
                lines.insert("no internal events logged\n")
        while True:  # a line that cannot be read ends the reader, not the file
            reader = self._reader(lines)
            start_s = 0.0
            try:
                for message in reader:
                    if self._suffix == ".trc" and reader.start_time is not None:
                        start_s = reader.start_time.timestamp()
                        self.wall_start_ns = seconds(start_s)
                    message.timestamp -= start_s
                    yield message
                return
            except (ValueError, IndexError, KeyError, TypeError, RuntimeError) as error:
                if lines.number <= len(header):
                    raise InputError(f"{self.path}: not a log of this format ({error})") from None
                shown = lines.last[:80].strip()
                self.left_out.add("unreadable", 1, f"line {lines.number}: {shown!r} is no frame ({error})")
                lines.put_back(header)

    def _reader(self, lines: "_Lines") -> Any:
        if self._suffix == ".trc":
            from can.io.trc import TRCReader

            return TRCReader(lines)  # type: ignore[arg-type]
        from can.io.asc import ASCReader

        return ASCReader(lines, relative_timestamp=True)  # type: ignore[arg-type]

    def _check_asc(self, header: list[str]) -> None:
        text = "".join(header)
        if not re.search(r"^\s*(date|base)\s", text, re.I | re.M):
            raise InputError(
                f"{self.path}: not an ASC log; it begins with `date …` and `base hex  timestamps absolute`"
            )
        if re.search(r"^\s*base\s+\w+\s+timestamps\s+relative", text, re.I | re.M):
            raise InputError(
                f"{self.path}: its times are relative to the line before; export it with absolute timestamps"
            )
        dates = [_asc_date(*found.groups()) for found in _ASC_DATE.finditer(text)]
        self.wall_start_ns = next((date for date in reversed(dates) if date is not None), None)


class _Lines:
    """A file of text, line by line, whose header can be read again."""

    def __init__(self, file: IO[bytes]) -> None:
        self._lines: Iterable[bytes] = iter(file)
        self._again: list[str] = []
        self.number = 0
        self.last = ""

    def header(self) -> list[str]:
        """Return the lines before the first frame, and put them back."""
        found: list[str] = []
        for line in self._lines:
            text = line[:4096].decode("utf-8", "replace")
            found.append(text)
            if len(found) == _HEADER_LINES or re.match(r"\s*\d+[.)]", text):
                break
        self._again = list(found)
        return found[:-1] if found and re.match(r"\s*\d+[.)]", found[-1]) else found

    def put_back(self, header: list[str]) -> None:
        """Put lines back, so that the next reader begins with them."""
        self._again = [*header, *self._again]
        self.number -= len(header)

    def insert(self, line: str) -> None:
        """Add a line behind the lines at the top that begin with `date`, `base` or `//`."""
        top = [bool(re.match(r"\s*(date|base|//)", one, re.I)) for one in self._again]
        self._again.insert(top.index(False) if False in top else len(top), line)
        self.number -= 1

    def __iter__(self) -> "_Lines":
        return self

    def __next__(self) -> str:
        if self._again:
            self.last = self._again.pop(0)
        else:
            self.last = next(iter(self._lines))[:4096].decode("utf-8", "replace")
        self.number += 1
        return self.last

    def read(self, *_: Any) -> str:
        """Return the next line; python-can recognises a file by this method and reads line by line."""
        return next(self, "")

    def close(self) -> None:
        """Leave closing to the log."""


def _asc_date(
    month: str,
    day: str,
    hour: str,
    minute: str,
    second: str,
    fraction: str | None,
    half: str | None,
    year: str,
) -> int | None:
    """Return the date in the header of an ASC log as ns, on its own clock; None if it is none."""
    name = _MONTHS.get(month[:3].capitalize(), month[:3].capitalize())
    hours = int(hour) % 12 + (12 if half.lower() == "pm" else 0) if half else int(hour)
    try:
        at = datetime.strptime(f"{name} {day} {year} {hours}:{minute}:{second}", "%b %d %Y %H:%M:%S")  # noqa: DTZ007
    except ValueError:
        return None
    whole = round((at.replace(tzinfo=UTC) - _EPOCH).total_seconds())
    return whole * SECOND + int((fraction or "").ljust(9, "0")[:9])


def _frames(messages: list[Any]) -> Frames:
    # python-can counts seconds since 1970 as floats, which resolve 0.24 us
    times = np.array([message.timestamp for message in messages])
    key = [one.arbitration_id | (EXTENDED if one.is_extended_id else 0) for one in messages]
    return Frames.of(
        np.round(times * 1e6).astype(np.int64) * 1000,
        np.array(key, np.int64),
        [str(message.channel) for message in messages],
        [bytes(message.data) for message in messages],
    )
