"""Scan the usual samples payloads of a whole step at once.

Usual are a flat JSON object, or an array of them, with keys of the contract only: `time` (RFC 3339 to the nanosecond)
or `time_ms`, `step_s`, channels and aliases; values are null, true, false, numbers, and arrays of these. Everything
else, valid or not, is left to the strict decoder, which decides and words the rejection. Of a usual payload both make
the same rows, to the bit.
"""

from collections.abc import Hashable, Iterator, Sequence
from functools import lru_cache
from itertools import accumulate, pairwise
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
"""So many bytes are scanned at a time, and larger payloads by themselves, so that the buffers stay small."""


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
        for first, last in _pieces(payloads):
            own = payloads[first:last]
            text = b"\0".join([*own, _END])
            rows = min(text.count(b",") + len(own), MAX_ROWS)  # another row needs another comma
            begins = [True, *(group != before for before, group in pairwise(groups[first:last]))]
            sizes = [len(payload) for payload in own]
            if sizes[0] > LARGE_BYTES:
                found = _Buffers(rows, len(text)).scan(text, sizes, begins, latest[first:last])
            else:
                if not self._buffers.suffice(rows, len(text)):
                    self._buffers = _Buffers(2 * rows, 2 * len(text))
                found = self._buffers.scan(text, sizes, begins, latest[first:last])
            runs += [run._replace(first=first + run.first, last=first + run.last) for run in found]
        return runs


def _pieces(payloads: Sequence[bytes]) -> Iterator[tuple[int, int]]:
    """Yield (first, last) of consecutive payloads of up to LARGE_BYTES together, and of each larger one by itself.

    Leaves out those that `check_size` rejects: they have more rows or values than allowed.
    """
    first = size = 0
    for k, payload in enumerate(payloads):
        if size + len(payload) > LARGE_BYTES:
            if k > first:
                yield first, k
            first, size = k, 0
            if len(payload) > LARGE_BYTES:
                if _has_allowed_size(payload):
                    yield k, k + 1
                first = k + 1
                continue
        size += len(payload)
    if first < len(payloads):
        yield first, len(payloads)


def _has_allowed_size(payload: bytes) -> bool:
    try:
        check_size(payload)
    except Rejected:
        return False
    return True


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
        # Mostly there are few payloads: numpy's own functions would take longer than the scan.
        ends = [end - 1 for end in accumulate([size + 1 for size in sizes])]
        self._unsure[COUNT, 0] = 0
        scan_kernel.scan_payloads(
            np.frombuffer(text, np.uint8),
            np.array(ends),
            np.array(begins),
            np.array([min(each, LATEST - 1) for each in latest]),
            rows,
            known,
            self._times,
            self._cells,
            self._unsure,
        )
        if unsure := int(self._unsure[COUNT, 0]):
            for key, row, start, end in self._unsure[COUNT + 1 : unsure + 1].tolist():
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
