"""Files and folders that a power cut leaves complete or absent, and the reserve of disk space."""

import os
import shutil
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, Final


def publish_folder(part: Path, target: Path) -> None:
    """Sync a finished folder to the disk, then rename it to `target`."""
    for file in part.iterdir():
        sync(file)
    sync(part)
    part.rename(target)
    sync(target.parent)
    sync(target.parent.parent)


def remove_folder(folder: Path) -> None:
    """Remove a folder; call again after a crash to finish an interrupted removal."""
    hidden = folder.with_name(f".{folder.name}.gone")
    if folder.exists():
        folder.rename(hidden)
    if hidden.exists():
        shutil.rmtree(hidden)


def sync(path: Path) -> None:
    """Sync a file, or the names in a folder, to the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


MIB: Final = 1 << 20
CHECK_EVERY_S: Final = 10.0


class Reserve:
    """A reserve of `size_mib` MiB on the database's disk; 0: none."""

    def __init__(self, path: Path, size_mib: float) -> None:
        self._path = path
        self._size = int(size_mib * MIB)
        self._checked_s = time.monotonic()
        self.disk_warning: str | None = None
        """A warning from when the reserve was released until there is room for it again; otherwise None."""
        if not self._size:
            self._delete()
        elif not self._is_allocated() and not self._allocate():
            self._report()

    def release(self) -> None:
        """Delete the reserve, so that the database can use its space."""
        if self.disk_warning is None:
            self._delete()
            self._report()

    def restore(self) -> None:
        """Allocate the reserve again once twice its size, and at least 1 MiB, is free; checks every 10 s at most."""
        now = time.monotonic()
        if self.disk_warning is None or now - self._checked_s < CHECK_EVERY_S:
            return
        self._checked_s = now
        disk = os.statvfs(self._path.parent)
        if disk.f_bavail * disk.f_frsize >= max(2 * self._size, MIB) and self._allocate():
            self.disk_warning = None
            _logger().info("disk_has_room_again", folder=str(self._path.parent))

    def _is_allocated(self) -> bool:
        return self._path.is_file() and self._path.stat().st_size == self._size

    def _allocate(self) -> bool:
        if not self._size:
            return True
        try:
            with self._path.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, self._size)
        except OSError:
            self._delete()
            return False
        return True

    def _delete(self) -> None:
        with suppress(OSError):  # on a read-only disk the database reports the error better
            self._path.unlink(missing_ok=True)

    def _report(self) -> None:
        folder = self._path.parent
        state = (
            f"the last {self._size / MIB:g} MiB at {folder} are in use"
            if self._size
            else f"{folder} has no room"
        )
        self.disk_warning = f"disk full: {state}"
        _logger().error(
            "disk_full",
            folder=str(folder),
            reserve_mib=self._size / MIB,
            remedy="free some room now: once the reserve is used up, nothing is acknowledged until there is room",
        )


def _logger() -> Any:
    import structlog  # slow to import, so not for the commands that only read

    return structlog.get_logger(__name__)
