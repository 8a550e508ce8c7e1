"""Decode CAN frames by DBC files: whole columns at a time, the same values as cantools.

cantools (the extra `can`) reads the DBC. A message of SAE J1939 is found by its parameter group number (PGN),
regardless of the priority and source address of the frame. J1939-71 reserves the highest raw values of a signal for
"error" and "not available": no value results from them.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from strikewatch.core.batch import Floats, Ints
from strikewatch.errors import InputError
from strikewatch.sources.hold import NO_VALUE
from strikewatch.sources.logs.reader import EXTENDED, Bytes, Frames, require_extra
from strikewatch.sources.logs.records import Cells, Column, Mask, Records

_NULL_ADDRESS: Final = 0xFE
"""Source address that a DBC writes where it means any."""
_RESERVED: Final = {2: 0b10, 8: 0xFB, 16: 0xFB00, 24: 0xFB0000, 32: 0xFB000000}
"""By length in bits: the lowest raw value that is none (SAE J1939-71, section 5.1.4: the section, and the
value for 24 bits, from memory)."""
_FLOATS: Final = {16: ("u2", "f2"), 32: ("u4", "f4"), 64: ("u8", "f8")}

Raw = npt.NDArray[np.uint64]


def pgn(identifier: int) -> int:
    """Return the parameter group number of an identifier of 29 bits (SAE J1939-21)."""
    number = identifier >> 8 & 0x3FFFF
    return number if number & 0xFF00 >= 0xF000 else number & 0x3FF00


def shown(key: int) -> str:
    """Describe an identifier: `0x0CF00400 (PGN 61444, address 0x00)`, or `0x123`."""
    if not key & EXTENDED:
        return f"0x{key:03X}"
    identifier = key & ~EXTENDED
    return f"0x{identifier:08X} (PGN {pgn(identifier)}, address 0x{identifier & 0xFF:02X})"


@dataclass(frozen=True, slots=True)
class Signal:
    """A signal of a message, ready to be decoded. `present`: raw values of the multiplexer for which it is there."""

    name: str
    unit: str
    first_byte: int
    shift: int
    bits: int
    big_endian: bool
    signed: bool
    is_float: bool
    scale: float
    offset: float
    reserved_from: int | None
    choices: dict[int, str]
    multiplexer: "Signal | None" = None
    present: tuple[int, ...] = ()

    @property
    def end_byte(self) -> int:
        """Return the number of bytes that a frame needs to contain the signal."""
        last = self.shift + self.bits - 1
        return self.first_byte + 1 + ((63 - self.shift) // 8 if self.big_endian else last // 8)

    def raw(self, data: Bytes) -> Raw:
        """Extract the bits [n] from the data [n, width] of frames."""
        window = np.zeros((len(data), 9), np.uint8)
        part = data[:, self.first_byte : self.first_byte + 9]
        window[:, : part.shape[1]] = part
        word = (
            np.ascontiguousarray(window[:, :8])
            .view(">u8" if self.big_endian else "<u8")[:, 0]
            .astype(np.uint64)
        )
        ninth = window[:, 8].astype(np.uint64)  # a signal of up to 64 bits may begin within a byte
        if self.shift < 0:
            word = word << np.uint64(-self.shift) | ninth >> np.uint64(8 + self.shift)
        elif self.shift:
            word = word >> np.uint64(self.shift)
            if not self.big_endian:
                word |= ninth << np.uint64(64 - self.shift)
        return word & np.uint64((1 << self.bits) - 1)

    def present_in(self, data: Bytes, length: Ints) -> Mask:
        """Return a mask [n] of the frames that contain the signal."""
        found = length >= self.end_byte
        if self.multiplexer is not None:
            selected = self.multiplexer.raw(data)
            found &= np.isin(selected, self.present) & self.multiplexer.present_in(data, length)
        return found

    def reserved(self, raw: Raw) -> Mask:
        """Return a mask [n] of the raw values that mean "error" or "not available"."""
        if self.reserved_from is None:
            return np.zeros(len(raw), bool)
        return raw >= np.uint64(self.reserved_from)

    def values(self, data: Bytes, length: Ints) -> Floats:
        """Return the physical values [n]: NaN where a frame lacks the signal, infinite where it says "no value"."""
        raw = self.raw(data)
        number: Floats
        if self.is_float:
            whole, kind = _FLOATS[self.bits]
            number = raw.astype(whole).view(kind).astype(np.float64)
        elif self.signed:
            up = np.uint64(64 - self.bits)
            number = ((raw << up).view(np.int64) >> np.int64(64 - self.bits)).astype(np.float64)
        else:
            number = raw.astype(np.float64)
        with np.errstate(invalid="ignore", over="ignore"):
            scaled = number * self.scale + self.offset
        scaled = np.where(np.isfinite(scaled) & ~self.reserved(raw), scaled, NO_VALUE)
        return np.where(self.present_in(data, length), scaled, np.nan)

    def words(self, data: Bytes, length: Ints) -> Cells:
        """Return the texts that the DBC gives raw values, or the number of one without a text; see `values`."""
        raw = self.raw(data)
        numbers, codes = np.unique(raw, return_inverse=True)
        reserved = self.reserved(numbers)
        texts: list[Any] = [
            NO_VALUE if none else self.choices.get(int(number), int(number))
            for number, none in zip(numbers, reserved, strict=True)
        ]
        return Cells([*texts, None], np.where(self.present_in(data, length), codes, len(texts)))


@dataclass(slots=True)
class Message:
    """A message of a DBC, with those of its signals that are wanted."""

    name: str
    key: int
    """Its identifier, plus EXTENDED."""
    j1939: bool
    signals: list[Signal]
    matched: int = 0
    """Number of frames so far."""


@dataclass(slots=True)
class Database:
    """The messages of some DBC files."""

    messages: list[Message]
    place: str
    seen: Counter[int] = field(default_factory=Counter)
    """Number of frames by identifier."""
    _of_key: dict[int, int] = field(default_factory=dict)

    @staticmethod
    def load(paths: Sequence[Path], j1939: bool | None = None) -> "Database":
        """Read DBC files. `j1939`: whether messages are of J1939; by default, those that a file marks.

        Raises InputError.
        """
        messages = [message for path in paths for message in _read(path, j1939)]
        return Database(messages, ", ".join(str(path) for path in paths))

    def names(self) -> list[str]:
        """Return all names of signals, as `Message.Signal`."""
        return [f"{message.name}.{signal.name}" for message in self.messages for signal in message.signals]

    def keep(self, wanted: Iterable[str]) -> None:
        """Keep only these signals (`Message.Signal`), and the messages that have any."""
        names = set(wanted)
        for message in self.messages:
            message.signals = [one for one in message.signals if f"{message.name}.{one.name}" in names]
        self.messages = [message for message in self.messages if message.signals]

    def records(
        self, frames: Frames, first: int, with_words: frozenset[str] = frozenset()
    ) -> Iterator[Records]:
        """Yield the frames of each message as records, in the order of the log.

        Columns are the signals, as `Message.Signal`, and `id`, `pgn`, `sa` (source address) and `bus`. `with_words`:
        signals whose texts are used instead of numbers. `first`: number of the first frame.
        """
        keys, codes, counts = np.unique(frames.key, return_inverse=True, return_counts=True)
        self.seen.update(dict(zip(keys.tolist(), counts.tolist(), strict=True)))
        message_of = np.array([self._message_of(key) for key in keys.tolist()], np.int64)[codes]
        for number, message in enumerate(self.messages):
            rows = np.flatnonzero(message_of == number)
            if not len(rows):
                continue
            message.matched += len(rows)
            some = frames.select(rows)
            identifier = some.key & ~EXTENDED
            columns: dict[str, Column] = {
                "id": identifier,
                "pgn": np.array([pgn(int(key)) for key in (keys & ~EXTENDED).tolist()], np.int64)[
                    codes[rows]
                ],
                "sa": identifier & 0xFF,
                "bus": Cells(some.buses, some.bus),
            }
            units = {}
            for signal in message.signals:
                name = f"{message.name}.{signal.name}"
                decode = signal.words if name in with_words else signal.values
                columns[name] = decode(some.data, some.length)
                units[name] = signal.unit
            yield Records(len(rows), columns, some.time_ns, first, "frame", units)

    def _message_of(self, key: int) -> int:
        """Return the number of the message that has an identifier, -1 for none."""
        if key not in self._of_key:
            self._of_key[key] = self._find(key)
        return self._of_key[key]

    def _find(self, key: int) -> int:
        exact = [number for number, message in enumerate(self.messages) if message.key == key]
        if exact or not key & EXTENDED:
            return exact[0] if exact else -1
        alike = [
            (message.key & 0xFF, number)
            for number, message in enumerate(self.messages)
            if message.j1939 and pgn(message.key & ~EXTENDED) == pgn(key & ~EXTENDED)
        ]
        for address in (key & 0xFF, _NULL_ADDRESS):
            found = [number for own, number in alike if own == address]
            if found:
                return found[0]
        # One definition of a parameter group holds for every address; several are meant for their own.
        return alike[0][1] if len(alike) == 1 else -1

    def unmatched(self) -> Iterator[str]:
        """Yield which wanted messages had no frame, with the nearest identifiers of the log."""
        for message in self.messages:
            if not message.matched:
                yield f"no frame of {message.name} {shown(message.key)}; {self._nearest(message)}"

    def _nearest(self, message: Message) -> str:
        if not self.seen:
            return "the log has no frames"
        own = message.key & ~EXTENDED
        same_group = [key for key in self.seen if key & EXTENDED and pgn(key & ~EXTENDED) == pgn(own)]
        if message.key & EXTENDED and not message.j1939 and same_group:
            return (
                f"the log has its PGN as {shown(same_group[0])}, but the DBC does not mark the message as J1939; "
                "set j1939 = true"
            )
        if message.key & EXTENDED:
            near = sorted(
                self.seen, key=lambda key: (not key & EXTENDED, abs(pgn(key & ~EXTENDED) - pgn(own)))
            )
        else:
            near = sorted(self.seen, key=lambda key: (bool(key & EXTENDED), abs(key - own)))
        listed = ", ".join(f"{shown(key)} {self.seen[key]:,} times" for key in near[:3])
        return f"nearest of {len(self.seen):,} in the log: {listed}"


def _read(path: Path, of_j1939: bool | None) -> Iterator[Message]:
    require_extra("can", path)
    import cantools

    try:
        database = cantools.database.load_file(path, strict=False)
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check the path in `dbc`") from None
    except Exception as error:  # noqa: BLE001  # one parser per format, each with errors of its own
        said = " ".join(str(error).split())[:200]
        raise InputError(f"{path}: not a DBC file that can be read ({said})") from None
    if not isinstance(database, cantools.database.can.Database):
        raise InputError(f"{path}: not a database of CAN messages; give a DBC file")
    for message in database.messages:
        key = message.frame_id | (EXTENDED if message.is_extended_frame else 0)
        j1939 = message.is_extended_frame and (message.protocol == "j1939" if of_j1939 is None else of_j1939)
        signals = {one.name: one for one in message.signals}
        made = [_signal(one, signals, j1939) for one in message.signals]
        yield Message(message.name, key, j1939, made)


def _signal(one: Any, signals: dict[str, Any], j1939: bool) -> Signal:
    first_byte = one.start // 8
    big_endian = one.byte_order == "big_endian"
    # In a DBC a big-endian signal starts with its most significant bit.
    shift = 56 + one.start % 8 - one.length + 1 if big_endian else one.start % 8
    choices = {int(number): str(text) for number, text in (one.choices or {}).items()}
    multiplexer = signals.get(one.multiplexer_signal) if one.multiplexer_signal else None
    return Signal(
        name=one.name,
        unit=one.unit or "",
        first_byte=first_byte,
        shift=shift,
        bits=one.length,
        big_endian=big_endian,
        signed=one.is_signed,
        is_float=one.is_float,
        scale=float(one.scale),
        offset=float(one.offset),
        reserved_from=_RESERVED.get(one.length) if j1939 and not one.is_signed and not one.is_float else None,
        choices=choices,
        multiplexer=_signal(multiplexer, signals, j1939) if multiplexer is not None else None,
        present=tuple(one.multiplexer_ids or ()),
    )
