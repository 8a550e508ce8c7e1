"""Measurement files (ASAM MDF 3 and 4), read by asammdf (the extra `mdf`), in parts."""

import mmap
import struct
import warnings
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import numpy as np

from strikewatch.core import instant
from strikewatch.core.batch import Floats, Ints
from strikewatch.errors import InputError
from strikewatch.sources.logs.channels import Use
from strikewatch.sources.logs.reader import EXTENDED, CanLog, Frames, LogReader, require_extra
from strikewatch.sources.logs.records import Column, Records, cells

_PART: Final = 131_072
_FRAME: Final = "CAN_DataFrame"
_LINKS_3: Final = {b"HD": (0,), b"DG": (0, 1), b"CG": (0, 1), b"CN": (0,)}
_LINKS_4: Final = {
    b"##HD": (0, 1, 2, 3, 4),
    b"##DG": (0, 1, 2),
    b"##CG": (0, 1, 4),
    b"##CN": (0, 1, 5),
    b"##CH": (0, 1),
    **dict.fromkeys((b"##FH", b"##AT", b"##EV", b"##SR", b"##CA", b"##DL", b"##HL", b"##LD"), (0,)),
}
"""By kind of block: which of its links lead to the next of a list, or to the first of a list below it.

Layout of the blocks: asammdf's `v4_constants` and `v2_v3_constants`, which follow the ASAM standard.
"""
_DATA_BLOCKS: Final = (b"##DL", b"##HL", b"##LD")
_FIRST_BLOCK: Final = 64


class MdfLog(LogReader):
    """The signals of a measurement file. Each channel group has times of its own."""

    own_times = True

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        require_extra("mdf", path)
        import asammdf

        _refuse_circles(path)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                self.file: Any = asammdf.MDF(path)
            start = _start(self.file)
        except Exception as error:  # noqa: BLE001  # asammdf raises whatever a damaged block leads to
            _release(error)
            raise self._damaged(error) from None
        at_ns = instant.parse((start if start.tzinfo else start.replace(tzinfo=UTC)).isoformat())
        self.absolute = start.tzinfo is not None
        self._start_ns = at_ns if self.absolute else 0
        self.wall_start_ns = None if self.absolute else at_ns
        self.done = 0
        self.names = list(self._places)

    def _damaged(self, error: Exception) -> InputError:
        said = " ".join(str(error).split())[:160] or type(error).__name__
        return InputError(f"{self.path}: not an MDF file that can be read ({said})")

    def get(self, group: int, index: int, first: int) -> tuple[Any, Any]:
        """Return samples of a signal, and a mask of the invalid ones or None. Raises InputError."""
        try:
            found: tuple[Any, Any] = self.file.get(
                group=group,
                index=index,
                samples_only=True,
                ignore_invalidation_bits=True,  # it returns them; otherwise it drops the samples
                record_offset=first,
                record_count=_PART,
            )
        except Exception as error:  # noqa: BLE001  # as above
            raise self._damaged(error) from None
        return found

    def close(self) -> None:
        self.file.close()

    def position(self) -> int:
        return self.done

    def column(self, path: str) -> str:
        raise InputError(f"{self.path}: an MDF file has no columns, so {path} names nothing; use `named`")

    def records(self, wanted: Mapping[str, Sequence[Use]]) -> Iterator[Records]:
        """Yield the wanted signals, group by group."""
        places = self._places
        groups: dict[int, dict[str, int]] = {}
        for name in wanted:
            group, index = places[name]
            groups.setdefault(group, {})[name] = index
        size = self.path.stat().st_size
        for k, (group, signals) in enumerate(groups.items()):
            yield from self._group(group, signals)
            self.done = size * (k + 1) // len(groups)

    @cached_property
    def _places(self) -> dict[str, tuple[int, int]]:
        """Return group and index of each signal by its name."""
        masters: Mapping[int, int] = self.file.masters_db
        found: dict[str, list[tuple[int, int]]] = {}
        for group, one in enumerate(self.file.groups):
            for index, channel in enumerate(one.channels):
                if index != masters.get(group) and group in masters:
                    found.setdefault(channel.name, []).append((group, index))
        names: dict[str, tuple[int, int]] = {}
        for name, places in found.items():
            for place in places:
                names[name if len(places) == 1 else f"{self._group_name(place[0])}.{name}"] = place
        return names

    def _group_name(self, group: int) -> str:
        named = getattr(self.file.groups[group].channel_group, "acq_name", "")
        others = [getattr(one.channel_group, "acq_name", "") for one in self.file.groups]
        return named if named and others.count(named) == 1 else f"group {group}"

    def _group(self, group: int, signals: Mapping[str, int]) -> Iterator[Records]:
        count = self.file.groups[group].channel_group.cycles_nr
        units = {
            name: self.file.get_channel_unit(group=group, index=index) or ""
            for name, index in signals.items()
        }
        for first in range(0, count, _PART):
            time_ns = self.times(group, first)
            columns = {name: self._values(group, index, first) for name, index in signals.items()}
            yield Records(len(time_ns), columns, time_ns, first + 1, "record", units)

    def times(self, group: int, first: int) -> Ints:
        try:
            seconds = self.file.get_master(group, record_offset=first, record_count=_PART)
        except Exception as error:  # noqa: BLE001  # as above
            raise self._damaged(error) from None
        if self.file.groups[group].channels[self.file.masters_db[group]].unit not in ("s", "", None):
            raise InputError(
                f"{self.path}: group {group} is not recorded over time; only times can be mapped"
            )
        time_ns: Ints = np.round(np.asarray(seconds, np.float64) * 1e9).astype(np.int64)
        return time_ns + self._start_ns

    def _values(self, group: int, index: int, first: int) -> Column:
        """Return the values of a signal; invalid ones are not sampled."""
        samples, invalid = self.get(group, index, first)
        if samples.ndim > 1 or samples.dtype.names:
            raise InputError(
                f"{self.path}: `{self.file.groups[group].channels[index].name}` is an array of values"
            )
        if samples.dtype.kind in "iufb":
            values: Floats = samples.astype(np.float64)
            if invalid is not None:
                values = np.where(np.asarray(invalid), np.nan, values)
            return values
        texts = [
            one.decode("utf-8", "replace") if isinstance(one, bytes) else one for one in samples.tolist()
        ]
        if invalid is not None:
            texts = [
                None if wrong else text
                for text, wrong in zip(texts, np.asarray(invalid).tolist(), strict=True)
            ]
        return cells(texts)


def _release(error: Exception) -> None:
    """Close what asammdf left half open, as its destructor fails there and prints a traceback."""
    step = error.__traceback__
    while step is not None:
        owner: Any = step.tb_frame.f_locals.get("self")
        if hasattr(owner, "_tempfile") and hasattr(owner, "_closed"):
            owner._tempfile.close()
            owner._closed = True
        step = step.tb_next


def _start(file: Any) -> datetime:
    """Return the start of a file, without an offset if it is on the clock of the logger."""
    header = file.header
    if file.version >= "4":
        start: datetime = header.start_time
        return start
    # asammdf would take the date of version 3, which is local, for one of this machine or of UTC
    text = f"{header.date.decode('ascii')} {header.time.decode('ascii')}"
    start = datetime.strptime(text, "%d:%m:%Y %H:%M:%S")  # noqa: DTZ007  # placed in the zone of the logger
    return start.replace(microsecond=getattr(header, "abs_time", 0) // 1000 % 1_000_000)


class MdfCanLog(CanLog):
    """The CAN frames that a bus logger recorded in a measurement file (ASAM MDF bus logging)."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._log = MdfLog(path)
        self.absolute, self.wall_start_ns = self._log.absolute, self._log.wall_start_ns

    def close(self) -> None:
        self._log.close()

    def position(self) -> int:
        return self._log.position()

    def chunks(self) -> Iterator[Frames]:
        """Yield the frames of each group. Raises InputError if there are none."""
        groups = [
            (
                group,
                {
                    channel.name.partition(f"{_FRAME}.")[2]: index
                    for index, channel in enumerate(one.channels)
                },
            )
            for group, one in enumerate(self._log.file.groups)
            if any(channel.name == f"{_FRAME}.DataBytes" for channel in one.channels)
        ]
        if not groups:
            raise InputError(
                f'{self.path}: has no recorded CAN frames; if its signals are decoded already, set payload = "table"'
            )
        size = self.path.stat().st_size
        for k, (group, fields) in enumerate(groups):
            count = self._log.file.groups[group].channel_group.cycles_nr
            for first in range(0, count, _PART):
                yield self._frames(group, fields, first)
            self._log.done = size * (k + 1) // len(groups)

    def _frames(self, group: int, fields: Mapping[str, int], first: int) -> Frames:
        def column(name: str) -> Any:
            if name not in fields:
                return None
            return self._log.get(group, fields[name], first)[0]

        time_ns = self._log.times(group, first)
        key = np.asarray(column("ID"), np.int64)
        extended = column("IDE")
        high = key > 0x7FF if extended is None else np.asarray(extended) != 0
        key = key & ~EXTENDED | np.where(high | (key & EXTENDED != 0), EXTENDED, 0)
        data = np.ascontiguousarray(column("DataBytes"), np.uint8)
        if data.ndim == 1:
            data = data.reshape(len(key), -1)
        width = 8 if data.shape[1] <= 8 else 64
        padded = np.zeros((len(key), width), np.uint8)
        padded[:, : data.shape[1]] = data[:, :width]
        length = column("DataLength")
        if length is None:
            length = column("DLC")
        lengths = np.minimum(np.asarray(length, np.int64), data.shape[1])
        bus = column("BusChannel")
        numbers, bus_of = np.unique(np.zeros(len(key), np.int64) if bus is None else bus, return_inverse=True)
        return Frames(time_ns, key, bus_of.astype(np.int64), tuple(map(str, numbers)), padded, lengths)


def _refuse_circles(path: Path) -> None:
    """Raise InputError if a block is reached twice from the header: asammdf would follow such a list for ever.

    Takes time linear in the number of blocks.
    """
    size = path.stat().st_size
    if size < _FIRST_BLOCK + 24:
        return  # too short for a header, as asammdf says
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        four = data[_FIRST_BLOCK : _FIRST_BLOCK + 4] == b"##HD"
        kinds, width, head, link = (_LINKS_4, 4, 24, "<Q") if four else (_LINKS_3, 2, 4, "<I")
        if not four and data[24:26] != b"\0\0":
            link = ">I"
        length = struct.calcsize(link)
        seen: set[int] = set()
        todo = [_FIRST_BLOCK]
        while todo:
            at = todo.pop()
            if at in seen:
                raise InputError(
                    f"{path}: not an MDF file that can be read (its block at byte {at:,} is linked twice, as in a "
                    "circle); copy it from the logger again"
                )
            seen.add(at)
            kind = data[at : at + width]
            for number in kinds[kind]:
                place = at + head + number * length
                if place + length > size:
                    break
                [to] = struct.unpack_from(link, data, place)
                if not 0 < to <= size - width or (below := data[to : to + width]) not in kinds:
                    continue
                if kind == b"##CN" and number == 5 and below not in _DATA_BLOCKS:
                    continue  # the data of a channel may be a group, which its own list has
                todo.append(to)
