"""Scan the usual samples payloads of a whole step at once.

Usual are a flat JSON object, or an array of them, with keys of the contract only: `time` (RFC 3339 to the nanosecond)
or `time_ms`, `step_s`, channels and aliases; values are null, true, false, numbers of up to 15 digits without an
exponent, and arrays of these. Everything else, valid or not, is left to the strict decoder, which decides and words the
rejection. Of a usual payload both make the same rows, to the bit.
"""

from collections.abc import Hashable, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np

from strikewatch.core.batch import Floats, Rows
from strikewatch.core.channels import ALIASES
from strikewatch.core.instant import LATEST, Instant
from strikewatch.sources.decode import scan_kernel
from strikewatch.sources.decode.scan_kernel import COLUMNS, NAMES, PADDING
from strikewatch.sources.decode.strict_json import MAX_ROWS

MAX_BYTES: Final = 2 * MAX_ROWS
"""Longer payloads are not scanned; so none has more than MAX_ROWS rows."""


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
        self._times = np.empty(0, np.int64)
        self._cells = np.empty((COLUMNS, 0))

    def scan(
        self, payloads: Sequence[bytes], groups: Sequence[Hashable], latest: Sequence[Instant]
    ) -> list[Run]:
        """Scan payloads, those of a group one after the other; unusual ones are in no run.

        `latest`: for each payload, the latest time that is accepted.
        """
        if not payloads:
            return []
        text = b"\0".join([payload if len(payload) <= MAX_BYTES else b"" for payload in payloads])
        self._make_room(text.count(b",") + len(payloads))  # another row needs another comma
        begins = [True, *(group != before for before, group in pairwise(groups))]
        sizes = [len(payload) + 1 if len(payload) <= MAX_BYTES else 1 for payload in payloads]
        rows, known = np.empty(len(payloads), np.int64), np.empty(len(payloads), np.int64)
        scan_kernel.scan_payloads(
            np.frombuffer(text + bytes(PADDING), np.uint8),
            np.cumsum(sizes) - 1,
            np.array(begins),
            np.minimum(latest, LATEST - 1),
            rows,
            known,
            self._times,
            self._cells,
        )
        return self._runs(begins, rows.tolist(), known.tolist())

    def _runs(self, begins: list[bool], rows: list[int], known: list[int]) -> list[Run]:
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

    def _make_room(self, count: int) -> None:
        if count > len(self._times):
            count *= 2
            self._times, self._cells = np.empty(count, np.int64), np.empty((COLUMNS, count))


@lru_cache(maxsize=1024)
def _bits(known: int) -> tuple[int, ...]:
    return tuple(key for key in range(COLUMNS) if known >> key & 1)
