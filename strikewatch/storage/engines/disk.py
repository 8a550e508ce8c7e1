"""Files for this user only, files that a power cut leaves complete or absent, and the reserve of disk space."""

import os
import shutil
import stat
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

PRIVATE_FILE: Final = 0o600
PRIVATE_FOLDER: Final = 0o700
_OTHERS: Final = stat.S_IRWXG | stat.S_IRWXO


def make_folder(path: Path) -> None:
    """Create a folder and its missing parents, for this user only. An existing folder is left as it is."""
    for folder in reversed((path, *path.parents)):
        if not folder.exists():
            folder.mkdir(PRIVATE_FOLDER, exist_ok=True)
    if not path.is_dir():
        raise NotADirectoryError(f"{path} is not a folder")


def create_file(path: Path) -> None:
    """Create an empty file for this user only, unless it exists."""
    with suppress(FileExistsError):
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE_FILE))


def open_to_others(path: Path) -> bool:
    """Return whether other users have any permission for a file or folder."""
    return bool(path.stat().st_mode & _OTHERS)


def make_private(paths: Iterable[Path]) -> None:
    """Take away other users' permissions for files and folders of this user, and log how many had any.

    Earlier releases created them as their umask allowed. Missing files, symbolic links, devices and what belongs to
    another user are skipped.
    """
    changed = []
    for path in paths:
        with suppress(OSError):  # such as a file that was removed meanwhile, or a disk that is read-only
            found = path.lstat()
            mode = stat.S_IMODE(found.st_mode)
            kept = stat.S_ISREG(found.st_mode) or stat.S_ISDIR(found.st_mode)
            if kept and found.st_uid == os.geteuid() and mode & _OTHERS:
                path.chmod(mode & ~_OTHERS)
                changed.append(path)
    if changed:
        _logger().warning("permissions_tightened", first=str(changed[0]), files=len(changed))


@contextmanager
def private_umask() -> Iterator[None]:
    """Create all files for this user only, also those of libraries. Of the whole process: for commands only."""
    before = os.umask(_OTHERS)
    try:
        yield
    finally:
        os.umask(before)


def publish_folder(part: Path, target: Path) -> None:
    """Sync a finished folder to the disk, for this user only, then rename it to `target`."""
    for file in part.iterdir():
        file.chmod(PRIVATE_FILE)
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
            create_file(self._path)
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
