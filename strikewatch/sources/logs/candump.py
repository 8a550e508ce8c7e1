"""Logs of candump: `(1772604900.100000) can0 0CF00400#F07D87204EFFFFFF`, and its output on a terminal."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Final

import numpy as np

from strikewatch.core.batch import Ints
from strikewatch.core.instant import SECOND
from strikewatch.errors import InputError
from strikewatch.sources.logs.reader import EXTENDED, CanLog, Frames, open_bytes

CHUNK_BYTES: Final = 1 << 20
MAX_LINE_BYTES: Final = 4096
"""The longest line of 64 data bytes has about 250; a longer one is no line of candump."""

_START: Final = rb"^[ \t]*\((?P<s>\d{1,10})\.(?P<fraction>\d{1,9})\)[ \t]+(?P<bus>\S{1,64})[ \t]+"
_ID: Final = rb"(?P<id>[0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})"
_END: Final = rb"(?:[ \t]+[RT])?[ \t]*\r?$"
_LOG: Final = re.compile(
    _START
    + _ID
    + rb"#(?:#[0-9A-Fa-f])?(?P<data>(?:[0-9A-Fa-f]{2}){0,64}|R[0-9A-Fa-f]?)(?:_[0-9A-Fa-f])?"
    + _END,
    re.M,
)
_TERMINAL: Final = re.compile(
    _START
    + rb"(?:[RT]X[ \t]+[-B][ \t]+[-E][ \t]+)?"
    + _ID
    + rb"[ \t]+\[\d{1,2}\][ \t]*(?P<data>(?:[0-9A-Fa-f]{2}[ \t]?){0,64}|remote request)(?:'.*')?"
    + _END,
    re.M,
)
_ERROR: Final = 1 << 29
_RELATIVE_S: Final = 86_400 * 366
"""Times before 1971 count from the start of the log."""


class CandumpLog(CanLog):
    """A log of candump; `.gz` is unpacked. Times after 1971 are instants; others count from the start of the log."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._raw: IO[bytes] | None = None
        self._line = _LOG

    def position(self) -> int:
        return 0 if self._raw is None or self._raw.closed else self._raw.tell()

    def chunks(self) -> Iterator[Frames]:
        """Yield the frames. Raises InputError if the first lines are not candump's, or the file is damaged."""
        rest = b""
        line_number = 1
        file, self._raw = open_bytes(self.path)
        with self._raw, file:
            while True:
                try:
                    read = file.read(CHUNK_BYTES)
                except (OSError, EOFError) as error:
                    raise InputError(f"{self.path}: cannot be read to its end ({error})") from None
                if not read and not rest:
                    return
                text, newline, rest = (rest + read).rpartition(b"\n") if read else (rest, b"", b"")
                if len(rest) > MAX_LINE_BYTES:
                    raise self._foreign(rest)
                if not text:
                    continue
                if line_number == 1:
                    self._choose_form(text)
                yield from self._frames(text, line_number)
                line_number += text.count(b"\n") + bool(newline)

    def _choose_form(self, text: bytes) -> None:
        self._line = max(_LOG, _TERMINAL, key=lambda form: len(form.findall(text[: CHUNK_BYTES // 16])))
        first = self._line.search(text)
        if first is None:
            raise self._foreign(text)
        self.absolute = int(first["s"]) >= _RELATIVE_S

    def _foreign(self, text: bytes) -> InputError:
        return InputError(
            f"{self.path}: neither ASC, BLF, TRC, MDF nor a log of candump; a line of the last looks like "
            f"'(1772604900.100000) can0 0CF00400#F07D87204EFFFFFF', and this file "
            f"has {text[:60].decode('ascii', 'backslashreplace')!r}"
        )

    def _frames(self, text: bytes, first_line: int) -> Iterator[Frames]:
        found = self._line.findall(text)
        self._note_unreadable(text, len(found), first_line)
        if self._line is _TERMINAL:
            found = [(*one[:4], one[4].replace(b" ", b"").replace(b"\t", b"")) for one in found]
        if b"#R" in text or b"remote" in text:
            data = [one for one in found if not one[4].lower().startswith(b"r")]
            self.passed_over["remote frames"] += len(found) - len(data)
            found = data
        if not found:
            return
        seconds, fractions, buses, ids, payloads = zip(*found, strict=True)
        keys = {one: int(one, 16) | (EXTENDED if len(one) == 8 else 0) for one in set(ids)}
        key = np.array([keys[one] for one in ids], np.int64)
        names = {bus: bus.decode("ascii", "backslashreplace") for bus in set(buses)}
        frames = Frames.of(
            _instants(seconds, fractions), key, [names[bus] for bus in buses], payloads, hexadecimal=True
        )
        error = (key & _ERROR) != 0
        if error.any():
            self.passed_over["error frames"] += int(error.sum())
            frames = frames.select(~error)
        yield frames

    def _note_unreadable(self, text: bytes, read: int, first_line: int) -> None:
        """Count the lines that are no frames, apart from empty ones."""
        lines = text.split(b"\n")
        if len(lines) == read:
            return
        wrong = [(k, line) for k, line in enumerate(lines) if line.strip() and not self._line.match(line)]
        if wrong:
            k, line = wrong[0]
            shown = line[:80].decode("ascii", "backslashreplace").rstrip()
            self.left_out.add(
                "unreadable", len(wrong), f"line {first_line + k}: {shown!r} is no frame of candump"
            )


def _instants(seconds: tuple[bytes, ...], fractions: tuple[bytes, ...]) -> Ints:
    lengths = set(map(len, fractions))
    digits = len(fractions[0]) if len(lengths) == 1 else 9
    if len(lengths) > 1:
        fractions = tuple(fraction.ljust(9, b"0") for fraction in fractions)
    parts = np.array(fractions).astype(np.int64) * 10 ** (9 - digits)
    whole: Ints = np.array(seconds).astype(np.int64) * SECOND
    found: Ints = whole + parts
    return found
