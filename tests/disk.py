"""A disk of a few MiB, to be filled up: a file system in memory, and files that are frozen. Needs the right to."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

from tests.programs import need_program, skip

MIB = 1 << 20


@contextmanager
def frozen(*files: Path) -> Iterator[None]:
    """Files that nobody may write to for a while, those who hold them open neither, as on a disk turned read-only."""

    def mark(how: str) -> subprocess.CompletedProcess[str]:
        command = [need_program("chattr"), how, *map(str, files)]
        return subprocess.run(command, capture_output=True, text=True, check=False)

    done = mark("+i")
    if done.returncode:
        skip(f"cannot freeze files: {done.stderr}")
    try:
        yield
    finally:
        mark("-i")


class SmallDisk:
    """`with SmallDisk(tmp_path / "disk", mib=16) as disk`: a file system at `disk.folder`."""

    def __init__(self, folder: Path, mib: int) -> None:
        self.folder = folder
        self._mib = mib
        self._filler = folder / "filler"

    def fill(self, leave_mib: float = 0.0) -> None:
        """Take all room but so much."""
        disk = os.statvfs(self.folder)
        size = disk.f_bavail * disk.f_frsize - int(leave_mib * MIB)
        with self._filler.open("wb") as file:
            os.posix_fallocate(file.fileno(), 0, size)

    def free(self) -> None:
        """Give it back."""
        self._filler.unlink()

    def __enter__(self) -> "SmallDisk":
        self.folder.mkdir(parents=True)
        command = [
            need_program("mount"),
            "-t",
            "tmpfs",
            "-o",
            f"size={self._mib}m",
            "tmpfs",
            str(self.folder),
        ]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            skip(f"cannot mount a small disk: {done.stderr}")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        subprocess.run(["umount", "--lazy", str(self.folder)], check=True)
