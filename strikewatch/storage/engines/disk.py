"""Create, remove and sync folders and files so that a power cut leaves them complete or absent."""

import os
import shutil
from pathlib import Path


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
