"""Turn logger files into a recorded shift.

The rows are first written as the log has them, then in order of time: rows of one instant together, the values of
channels that are sent on change held. Both steps need memory for a part of the log only.
"""

import tempfile
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from strikewatch.core import instant
from strikewatch.core.batch import NO_ROWS, Key, Portion, Rows
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import Instant, seconds
from strikewatch.errors import InputError
from strikewatch.service.recorded.converted import (
    Converted,
    HammerRows,
    losses_of,
    note_order,
    notes_of,
    refuse_empty,
)
from strikewatch.service.recorded.replay import DEFAULT_ALLOWED_PERCENT, Loss, Progress, check_loss
from strikewatch.sources.hold import Hold
from strikewatch.sources.logs import Account, LogSet
from strikewatch.sources.mapping.tables import SourceTable
from strikewatch.sources.recordings.merge import Merge
from strikewatch.sources.recordings.parquet import ParquetShift
from strikewatch.sources.same_instant import merge_sorted
from strikewatch.storage.recorder.parquet import GROUP_ROWS, SAMPLES, SamplesWriter, write_events


def convert(
    source: SourceTable,
    logs: Sequence[Path],
    folder: Path,
    *,
    dbc_folder: Path = Path(),
    start: Instant | None = None,
    allow_loss: float = DEFAULT_ALLOWED_PERCENT,
    progress: Progress | None = None,
) -> Converted:
    """Write the recorded shift of some logger files, which are parts of one log, into a folder.

    `folder` must not hold a recording yet. `dbc_folder`: where the paths of DBC files begin. `start`: see `LogSet`.
    `progress` is called with the bytes done and the total. Nothing is written if anything is wrong.

    Raises InputError, also if more than `allow_loss` percent of a file would be left out.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder}: exists already and is not empty; name a new folder")
    result = Converted(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".convert-", dir=folder.parent) as made:
            spool, shift = Path(made) / "as_read", Path(made) / "shift"
            spool.mkdir()
            shift.mkdir()
            accounts = _read(
                source, LogSet(source, dbc_folder, start), logs, spool / SAMPLES, result, progress
            )
            check_loss(result.losses, allow_loss)
            _sort(source, spool / SAMPLES, shift / SAMPLES, accounts, result, ", ".join(map(str, logs)))
            check_loss(result.losses, allow_loss)
            folder.mkdir(exist_ok=True)
            events = sorted(
                (event for each in accounts for event in each.events), key=lambda event: event.time
            )
            write_events(shift, events, with_site=True)
            for path in shift.iterdir():
                path.rename(folder / path.name)
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror}); name another folder") from None
    return result


def _read(
    source: SourceTable,
    log_set: LogSet,
    logs: Sequence[Path],
    spool: Path,
    result: Converted,
    progress: Progress | None,
) -> list[Account]:
    """Write the rows of all files as they are read."""
    total = sum(path.stat().st_size for path in logs if path.is_file())
    done = 0
    accounts: list[Account] = []
    ends: dict[Key, tuple[Path, Instant]] = {}
    with SamplesWriter(spool, source.channels) as writer:
        for path in logs:
            file = log_set.open(path)
            accounts.append(file.account)
            extent: dict[Key, tuple[Instant, Instant]] = {}
            waiting: dict[Key, list[Rows]] = defaultdict(list)
            for key, rows in file.rows():
                if not len(rows):
                    continue
                first, last = int(rows.time_ns.min()), int(rows.time_ns.max())
                known = extent.get(key, (first, last))
                extent[key] = min(first, known[0]), max(last, known[1])
                waiting[key].append(rows)
                if sum(map(len, waiting[key])) >= GROUP_ROWS:
                    _write(writer, key, waiting.pop(key))
                if progress:
                    progress(done + file.position(), total)
            for key, parts in waiting.items():
                _write(writer, key, parts)
            note_order(path, extent, ends, result)
            done += path.stat().st_size
            result.records += file.account.records
            result.losses += losses_of(path, file.account)
            result.notes += notes_of(path, file.account)
    result.notes += log_set.check()
    result.events = sum(len(account.events) for account in accounts)
    if not ends and not result.events:
        refuse_empty(logs, result, accounts)
    return accounts


def _write(writer: SamplesWriter, key: Key, parts: Sequence[Rows]) -> None:
    rows = Rows.join(parts)
    for first in range(0, len(rows), GROUP_ROWS):
        writer.write(key, rows[first : first + GROUP_ROWS])


def _sort(
    source: SourceTable,
    spool: Path,
    samples: Path,
    accounts: Sequence[Account],
    result: Converted,
    place: str,
) -> None:
    """Write the rows in order of time, one row an instant, held values filled in."""
    result.channels = [name for name in CHANNELS if any(account.values[name] for account in accounts)]
    shift = ParquetShift(spool, None)
    merge = Merge([shift])
    bounds = {
        name: seconds(table.hold_s) for name, table in source.channels.items() if table.hold_s is not None
    }
    hold = Hold(lambda _: bounds)
    tails: dict[Key, Rows] = {}
    duplicates = 0
    with _Groups(samples, result) as groups:
        for piece in merge.pieces():
            key, rows = piece.group.key, piece.rows
            if key in tails:
                rows = Rows.join([tails.pop(key), rows])
            # Rows of the newest instant wait, as the next piece may have more of it.
            end = int(np.searchsorted(rows.time_ns, rows.time_ns[-1]))
            tails[key] = rows[end:]
            if end:
                duplicates += groups.add(key, rows[:end], hold)
        for key, rows in tails.items():
            duplicates += groups.add(key, rows, hold)
        if bounds:  # time passes for every hammer until the last row of any
            end_ns = max((each.last for each in result.hammers.values()), default=0)
            for key in tails:
                groups.write(key, hold.fill(Portion(key, NO_ROWS, end_ns)).rows)
    if duplicates:
        result.notes.append(f"{duplicates:,} values not used: their channel has another of the same instant")
    if n := merge.wrong_clock[0]:
        key, at = merge.first_wrong[0]
        reason = (
            f"{n:,} of {shift.total:,} rows from a wrong clock: far from the rows around them, the first "
            f"of {key[1]} at {instant.text(at)}"
        )
        result.losses.append(Loss(place, 100 * n / shift.total, (reason,)))


def _without_empty(rows: Rows) -> Rows:
    """Return rows without those that have no value, at an instant that has another row."""
    empty = np.all([np.isnan(column) for column in rows.columns.values()], axis=0)
    empty[1:] &= np.diff(rows.time_ns) == 0
    empty[:1] = False
    return rows[~empty] if empty.any() else rows


class _Groups:
    """Writes rows in groups of a useful size."""

    def __init__(self, path: Path, result: Converted) -> None:
        booleans = [name for name in result.channels if CHANNELS[name].boolean]
        self._writer = SamplesWriter(path, result.channels, booleans)
        self._result = result
        self._waiting: dict[Key, list[Rows]] = defaultdict(list)
        self._names = frozenset(result.channels)

    def add(self, key: Key, rows: Rows, hold: Hold) -> int:
        """Add rows in order of time; return how many are duplicates of others."""
        merged, _, duplicates = merge_sorted(_without_empty(rows))
        self.write(key, hold.fill(Portion(key, merged, int(merged.time_ns[-1]))).rows)
        return duplicates

    def write(self, key: Key, rows: Rows) -> None:
        """Add rows as they are to be written."""
        if not len(rows):
            return
        own = self._result.hammers.setdefault(key, HammerRows(first=int(rows.time_ns[0])))
        own.n += len(rows)
        own.last = int(rows.time_ns[-1])
        waiting = self._waiting[key]
        waiting.append(
            Rows(rows.time_ns, {name: c for name, c in rows.columns.items() if name in self._names})
        )
        if sum(map(len, waiting)) >= GROUP_ROWS:
            self._flush(key)

    def _flush(self, key: Key) -> None:
        _write(self._writer, key, self._waiting.pop(key))

    def __enter__(self) -> "_Groups":
        self._writer.__enter__()
        return self

    def __exit__(self, *exception: object) -> None:
        for key in list(self._waiting):
            self._flush(key)
        self._writer.__exit__(*exception)
