"""A file that only takes up room, to be given up when the disk is full: a full disk refuses even what would free it."""

import os
import time
from contextlib import suppress
from pathlib import Path
from typing import Final

import structlog

_log = structlog.get_logger(__name__)

MIB: Final = 1 << 20
LOOK_EVERY_S: Final = 10.0


class Reserve:
    """`size_mib` of disk beside the database; 0: none."""

    def __init__(self, path: Path, size_mib: float) -> None:
        self._path = path
        self._size = int(size_mib * MIB)
        self._looked_s = time.monotonic()
        self.trouble: str | None = None
        """What to say while the disk is full: from when the reserve had to go until there is room for it again."""
        if not self._size:
            self._leave()
        elif not self._is_there() and not self._take():
            self._say()

    def give_up(self) -> None:
        """Leave the room to the database."""
        if self.trouble is None:
            self._leave()
            self._say()

    def look(self) -> None:
        """Take the room again once there is twice as much, and a MiB; looked for every ten seconds at most."""
        now = time.monotonic()
        if self.trouble is None or now - self._looked_s < LOOK_EVERY_S:
            return
        self._looked_s = now
        disk = os.statvfs(self._path.parent)
        if disk.f_bavail * disk.f_frsize >= max(2 * self._size, MIB) and self._take():
            self.trouble = None
            _log.info("disk_has_room_again", folder=str(self._path.parent))

    def _is_there(self) -> bool:
        return self._path.is_file() and self._path.stat().st_size == self._size

    def _take(self) -> bool:
        if not self._size:
            return True
        try:
            with self._path.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, self._size)
        except OSError:
            self._leave()
            return False
        return True

    def _leave(self) -> None:
        with suppress(OSError):  # on a read-only disk the database says so better
            self._path.unlink(missing_ok=True)

    def _say(self) -> None:
        folder = self._path.parent
        left = (
            f"the last {self._size / MIB:g} MiB at {folder} are in use"
            if self._size
            else f"{folder} has no room"
        )
        self.trouble = f"disk full: {left}"
        _log.error(
            "disk_full",
            folder=str(folder),
            reserve_mib=self._size / MIB,
            remedy="free some room now: when this is used up, nothing more is acknowledged until there is some",
        )
