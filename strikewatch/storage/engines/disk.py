"""Folders that appear and disappear whole, whenever the power goes."""

import os
import shutil
from pathlib import Path


def settle(part: Path, target: Path) -> None:
    """Give a finished folder its name once every byte of it is on the disk."""
    for file in part.iterdir():
        sync(file)
    sync(part)
    part.rename(target)
    sync(target.parent)
    sync(target.parent.parent)


def remove(folder: Path) -> None:
    """Remove a folder; repeated after a crash it finishes the job."""
    hidden = folder.with_name(f".{folder.name}.gone")
    if folder.exists():
        folder.rename(hidden)
    if hidden.exists():
        shutil.rmtree(hidden)


def sync(path: Path) -> None:
    """Have a file, or the names in a folder, on the disk itself."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
