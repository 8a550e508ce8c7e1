"""Scan the usual samples payloads of a whole step at once.

Usual are a flat JSON object, or an array of them, with keys of the contract only: `time` (RFC 3339 to the nanosecond)
or `time_ms`, `step_s`, channels and aliases; values are null, true, false, numbers, and arrays of these. Everything
else, valid or not, is left to the strict decoder, which decides and words the rejection. Of a usual payload both make
the same rows, to the bit.
"""

from collections.abc import Hashable, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np

from strikewatch.core.batch import Floats, Rows
from strikewatch.core.channels import ALIASES
from strikewatch.core.instant import LATEST, Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import scan_kernel
from strikewatch.sources.decode.scan_kernel import COLUMNS, COUNT, MIN_UNSURE, NAMES
from strikewatch.sources.decode.scan_tokens import PADDING
from strikewatch.sources.decode.strict_json import MAX_ROWS, check_size

_END: Final = bytes(PADDING)

LARGE_BYTES: Final = 2 * MAX_ROWS
"""Larger payloads are scanned by themselves. No other has more than MAX_ROWS rows."""


class Run(NamedTuple):
    """The rows of consecutive payloads of one group: `first` up to, not including, `last`. In order of arrival."""

    first: int
    last: int
    rows: Rows
    newest: Instant
    """Newest row of the last payload."""


class Scanner:
    """Scans the payloads of a step; keeps its buffers for the next one. For one thread."""

    def __init__(self) -> None:
        scan_kernel.compile_scanner()
        self._buffers = _Buffers(0, 0)

    def scan(
        self, payloads: Sequence[bytes], groups: Sequence[Hashable], latest: Sequence[Instant]
    ) -> list[Run]:
        """Scan payloads, those of a group one after the other; unusual ones are in no run.

        `latest`: for each payload, the latest time that is accepted.
        """
        runs: list[Run] = []
        first = 0
        large = [k for k, payload in enumerate(payloads) if len(payload) > LARGE_BYTES]
        for k in [*large, len(payloads)]:
            if k > first:
                found = self._scan(payloads[first:k], groups[first:k], latest[first:k])
                runs += [each._replace(first=first + each.first, last=first + each.last) for each in found]
            if k < len(payloads):
                found = _scan_large(payloads[k], latest[k])
                runs += [each._replace(first=k, last=k + 1) for each in found]
            first = k + 1
        return runs

    def _scan(
        self, payloads: Sequence[bytes], groups: Sequence[Hashable], latest: Sequence[Instant]
    ) -> list[Run]:
        text = b"\0".join([*payloads, _END])
        rows = text.count(b",") + len(payloads)  # another row needs another comma
        if not self._buffers.suffice(rows, len(text)):
            self._buffers = _Buffers(2 * rows, 2 * len(text))
        begins = [True, *(group != before for before, group in pairwise(groups))]
        return self._buffers.scan(text, [len(payload) for payload in payloads], begins, latest)


def _scan_large(payload: bytes, latest: Instant) -> list[Run]:
    """Scan one payload with buffers of its own."""
    try:
        check_size(payload)
    except Rejected:
        return []
    buffers = _Buffers(min(payload.count(b",") + 1, MAX_ROWS), len(payload))
    return buffers.scan(payload + b"\0" + _END, [len(payload)], [True], [latest])


class _Buffers:
    """Room for so many rows, and for the numbers in `size` bytes that may not be rounded correctly."""

    def __init__(self, rows: int, size: int) -> None:
        self._times = np.empty(rows, np.int64)
        self._cells = np.empty((COLUMNS, rows))
        self._unsure = np.empty((1 + size // MIN_UNSURE, 4), np.int64)

    def suffice(self, rows: int, size: int) -> bool:
        return len(self._times) >= rows and len(self._unsure) > size // MIN_UNSURE

    def scan(
        self, text: bytes, sizes: Sequence[int], begins: Sequence[bool], latest: Sequence[Instant]
    ) -> list[Run]:
        """Scan payloads of so many bytes, each followed by a zero and the last one by PADDING more."""
        rows, known = np.empty(len(sizes), np.int64), np.empty(len(sizes), np.int64)
        self._unsure[COUNT, 0] = 0
        scan_kernel.scan_payloads(
            np.frombuffer(text, np.uint8),
            np.cumsum(sizes) + np.arange(len(sizes)),
            np.array(begins),
            np.minimum(latest, LATEST - 1),
            rows,
            known,
            self._times,
            self._cells,
            self._unsure,
        )
        for key, row, start, end in self._unsure[COUNT + 1 : self._unsure[COUNT, 0] + 1].tolist():
            self._cells[key, row] = float(text[start:end])
        return self._runs(begins, rows.tolist(), known.tolist())

    def _runs(self, begins: Sequence[bool], rows: list[int], known: list[int]) -> list[Run]:
        found: list[Run] = []
        row = first = 0
        for k, end in enumerate(rows):
            if end < 0:
                first = k + 1
            elif k + 1 == len(rows) or rows[k + 1] < 0 or begins[k + 1]:
                times = self._times[row:end].copy()
                found.append(
                    Run(first, k + 1, Rows(times, self._columns(row, end, known[k])), int(times[-1]))
                )
                row, first = end, k + 1
        return found

    def _columns(self, row: int, end: int, known: int) -> dict[str, Floats]:
        columns = {NAMES[key]: self._cells[key, row:end].copy() for key in _bits(known)}
        for name in [each for each in ALIASES if each in columns]:
            channel, convert = ALIASES[name]
            converted = convert(columns.pop(name))
            direct = columns.get(channel)
            columns[channel] = converted if direct is None else np.where(np.isnan(direct), converted, direct)
        return columns


@lru_cache(maxsize=1024)
def _bits(known: int) -> tuple[int, ...]:
    return tuple(key for key in range(COLUMNS) if known >> key & 1)
