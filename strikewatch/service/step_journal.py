"""The step journal: a file that holds which messages were being processed when the process ended.

The broker delivers a message again until it is acknowledged, so one that ends the process would do so after every
restart. After an unclean end, the messages of the step under way are processed one in a step. One that was alone in a
step at `MAX_DEATHS` such ends is rejected in place of being processed.

Each step writes the digests of its messages to the file, without syncing it: what a process has written outlives the
process. After the machine itself has restarted the file may be outdated, and it counts against no message. Ends while
the database refuses or people's entries are taken do not count either, and those during a commit less: most of a step's
time is spent there, so that is where a process that is killed for other reasons ends.
"""

import os
import struct
import zlib
from collections.abc import Iterable, Sequence
from contextlib import suppress
from enum import IntEnum
from hashlib import blake2b
from pathlib import Path
from typing import TYPE_CHECKING, Final

import structlog

from strikewatch.errors import Rejected
from strikewatch.sources.mqtt import Message

if TYPE_CHECKING:
    from strikewatch.service.worker import Source

_log: Final = structlog.get_logger("worker")

MAX_DEATHS: Final = 2
"""A message that was alone in a step at this many unclean ends is not processed again."""
MAX_DEATHS_WITH_COMMITS: Final = 3
"""The same, if some of them were during a commit."""
MAX_KNOWN: Final = 1000
"""How many messages of earlier unclean ends are kept in the file."""
MAX_LISTED: Final = 1000
"""How many messages of a step are listed in the file: more than a step takes."""

_DIGEST_BYTES: Final = 16
_LARGE_BYTES: Final = 64 * 1024
"""Of a larger payload, its beginning, length and checksum are digested."""
_HEADER: Final = struct.Struct("<8s16s16sI")  # format, machine start, release, number of known messages
_KNOWN: Final = struct.Struct("<16sBB")  # digest, ends while it was processed alone, and committed alone
_STEP: Final = struct.Struct("<II")  # phase, number of messages
_PHASE: Final = struct.Struct("<I")
_FORMAT: Final = b"step/1\0\0"
_KNOWN_AT: Final = 64
_STEP_AT: Final = _KNOWN_AT + MAX_KNOWN * _KNOWN.size
_SIZE: Final = _STEP_AT + _STEP.size + MAX_LISTED * _DIGEST_BYTES
_MACHINE_START: Final = Path("/proc/sys/kernel/random/boot_id")


class Phase(IntEnum):
    """What a step does. `UNRELATED`: something else than its messages, such as waiting for the database."""

    NONE = 0
    PROCESSING = 1
    COMMITTING = 2
    UNRELATED = 3


class StepJournal:
    """The journal in the file at `path`; None keeps none. Used by the worker's thread only.

    `release`: counts of another release are dropped, since it may process the messages. If the file cannot be written,
    this is logged, and the journal has no effect.
    """

    def __init__(self, path: Path | None = None, release: str = "") -> None:
        self._file: int | None = None
        self._suspects: dict[bytes, tuple[int, int]] = {}  # digest → ends alone in processing, in a commit
        self._refused: dict[bytes, tuple[int, int]] = {}
        self._logged: set[bytes] = set()
        self._listed = False
        if path is None:
            return
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            self._load(_machine_start(), _short(release))
        except OSError as error:
            self._file = None
            _log.warning("step_journal_unusable", file=str(path), problem=str(error))

    @property
    def has_refused(self) -> bool:
        """Return whether there are messages that `check` refuses."""
        return bool(self._refused)

    @property
    def has_suspects(self) -> bool:
        """Return whether there are messages to be processed alone."""
        return bool(self._suspects)

    def is_suspect(self, message: Message) -> bool:
        """Return whether a message may have ended the process, and so must be processed alone."""
        return bool(self._suspects) and _digest(message) in self._suspects

    def check(self, message: Message) -> None:
        """Raise Rejected if a message has ended the process too often to be processed again."""
        if not self._refused or (digest := _digest(message)) not in self._refused:
            return
        detail = f"the process ended {sum(self._refused[digest])} times while it processed this message"
        if digest not in self._logged:
            self._logged.add(digest)
            _log.error(
                "message_set_aside",
                topic=message.topic[:200],
                bytes=len(message.payload),
                problem=detail,
                remedy="it is kept with the rejects and acknowledged; see strikewatch rejects",
            )
        raise Rejected("ended_process", detail)

    def begin(self, messages: list[Message]) -> None:
        """List the messages that are processed from now on."""
        if self._file is not None and messages:
            listed = b"".join(map(_digest, messages[:MAX_LISTED]))
            self._listed = True
            self._write(_STEP_AT, _STEP.pack(Phase.PROCESSING, len(listed) // _DIGEST_BYTES) + listed)

    def mark(self, phase: Phase) -> None:
        """Record the phase that the listed messages have reached; do nothing if none are listed."""
        if self._listed:
            self._listed = phase != Phase.NONE
            self._write(_STEP_AT, _PHASE.pack(phase))

    def done(self, messages: Iterable[Message]) -> None:
        """Note that messages are committed: they are no longer suspects."""
        self.mark(Phase.NONE)
        if self._suspects:
            before = len(self._suspects)
            for message in messages:
                self._suspects.pop(_digest(message), None)
            if len(self._suspects) < before:
                packed = self._packed()
                self._write(_KNOWN_AT, packed)
                self._write(_HEADER.size - _PHASE.size, _PHASE.pack(len(packed) // _KNOWN.size))

    def close(self) -> None:
        """Note that the process ends for another reason than its messages, and close the file."""
        self.mark(Phase.NONE)
        if self._file is not None:
            with suppress(OSError):
                os.close(self._file)
            self._file = None

    def _load(self, machine_start: bytes, release: bytes) -> None:
        """Read the file of the last run, count its end, and begin a new one."""
        assert self._file is not None
        found = os.pread(self._file, _SIZE, 0)
        if len(found) == _SIZE:
            form, same_start, same_release, n = _HEADER.unpack_from(found)
            if form == _FORMAT and same_release == release and n <= MAX_KNOWN:
                known: dict[bytes, tuple[int, int]] = {}
                for k in range(n):
                    digest, alone, in_commit = _KNOWN.unpack_from(found, _KNOWN_AT + k * _KNOWN.size)
                    known[digest] = alone, in_commit
                if same_start == machine_start:
                    _count_end(known, found)
                for digest, deaths in known.items():
                    too_many = deaths[0] >= MAX_DEATHS or sum(deaths) >= MAX_DEATHS_WITH_COMMITS
                    (self._refused if too_many else self._suspects)[digest] = deaths
        packed = self._packed()
        header = _HEADER.pack(_FORMAT, machine_start, release, len(packed) // _KNOWN.size)
        if os.pwrite(self._file, (header.ljust(_KNOWN_AT, b"\0") + packed).ljust(_SIZE, b"\0"), 0) != _SIZE:
            raise OSError("there is no room for it on the disk")
        os.fsync(self._file)  # so that its blocks are allocated, and later writes need no room

    def _packed(self) -> bytes:
        known = self._refused | self._suspects
        return b"".join(_KNOWN.pack(digest, *deaths) for digest, deaths in known.items())

    def _write(self, at: int, data: bytes) -> None:
        if self._file is not None:
            with suppress(OSError):  # a failing disk is reported by the commit
                os.pwrite(self._file, data, at)


class JournaledSource:
    """A source that lists in the journal what it hands out; suspects come alone. See `service.worker.Source`."""

    def __init__(self, source: "Source", journal: StepJournal) -> None:
        self._source = source
        self._journal = journal
        self._kept: list[Message] = []

    def take(self, limit: int, timeout_s: float) -> list[Message]:
        messages = self._kept or self._source.take(limit, timeout_s)
        self._kept = []
        if self._journal.has_suspects:
            first = [k for k, message in enumerate(messages) if self._journal.is_suspect(message)][:1]
            end = max(first[0], 1) if first else len(messages)
            messages, self._kept = messages[:end], messages[end:]
        self._journal.begin(messages)
        return messages

    def acknowledge(self, messages: Iterable[Message]) -> None:
        committed = list(messages)
        self._journal.done(committed)
        self._source.acknowledge(committed)

    def put_back(self, messages: Sequence[Message]) -> None:
        if self._kept:
            self._kept = [*messages, *self._kept]
        else:
            self._source.put_back(messages)


def _count_end(known: dict[bytes, tuple[int, int]], found: bytes) -> None:
    """Count the end of the last run against the messages that the file lists; add them to the known ones."""
    phase, n = _STEP.unpack_from(found, _STEP_AT)
    if phase not in (Phase.PROCESSING, Phase.COMMITTING) or not 0 < n <= MAX_LISTED:
        return
    one, other = (int(phase == Phase.PROCESSING), int(phase == Phase.COMMITTING)) if n == 1 else (0, 0)
    start = _STEP_AT + _STEP.size
    for at in range(start, start + n * _DIGEST_BYTES, _DIGEST_BYTES):
        digest = found[at : at + _DIGEST_BYTES]
        alone, in_commit = known.pop(digest, (0, 0))
        known[digest] = min(alone + one, 255), min(in_commit + other, 255)
    for digest in sorted(known, key=lambda digest: sum(known[digest]))[: max(len(known) - MAX_KNOWN, 0)]:
        del known[digest]
    _log.warning(
        "ended_while_processing",
        messages=n,
        remedy="the process was ended from outside, or by one of these messages: they are processed one by one",
    )


def _digest(message: Message) -> bytes:
    """Return a digest that the message has at each delivery."""
    payload = message.payload
    digest = blake2b(message.topic.encode(errors="surrogatepass") + b"\0", digest_size=_DIGEST_BYTES)
    if len(payload) > _LARGE_BYTES:  # up to 16 MB, which a checksum reads in a quarter of the time
        digest.update(struct.pack("<QI", len(payload), zlib.crc32(payload)))
        payload = payload[:_LARGE_BYTES]
    digest.update(payload)
    return digest.digest()


def _short(text: str) -> bytes:
    return blake2b(text.encode(), digest_size=_DIGEST_BYTES).digest()


def _machine_start() -> bytes:
    """Return what differs after each start of the machine."""
    try:
        return _short(_MACHINE_START.read_text())
    except OSError:
        return _short("")
