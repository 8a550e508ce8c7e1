"""Where compiled detectors are cached between starts: in one folder per installation, processor and version of source.

numba's own check covers only the file of a kernel. A kernel also contains functions from other files, so an outdated
one could stay in use. On another type of processor, as where a container's image was built elsewhere, numba would
silently compile each detector when it is first used.
"""

import hashlib
import os
import re
import shutil
import tempfile
import time
from contextlib import suppress
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Final

VARIABLE: Final = "NUMBA_CACHE_DIR"
_DETECTORS: Final = "detectors"
_SCANNER: Final = "scanner"
"""Empty files in the folder, once these have been compiled."""
_USED: Final = "used"
"""An empty file in the folder; its time says when a process last chose the folder."""
_FOLDER: Final = re.compile(r"[0-9a-f]{16}")
_REMOVED: Final = ".removed"
_DAY_S: Final = 86_400.0
KEPT_DAYS: Final = 30
KEPT_FOLDERS: Final = 10
"""Folders of other versions unused for this time are removed, and those beyond this number earlier."""


def prepare() -> str | None:
    """Choose the folder for this version of the source, and set it in the environment for child processes.

    A folder set by the user is its parent. Returns None if no folder can be written to.
    """
    name = _digest()
    chosen = os.environ.get(VARIABLE)
    if chosen and chosen.endswith(name):
        return chosen
    for base in _bases(chosen):
        try:
            (base / name).mkdir(parents=True, exist_ok=True)
            (base / name / _USED).touch()
        except OSError:
            continue
        if os.access(base / name, os.W_OK):
            os.environ[VARIABLE] = str(base / name)
            return str(base / name)
    return None


def remove_unused() -> None:
    """Remove the folders of other versions that are no longer used: after KEPT_DAYS, or a day if there are many.

    Never fails. Other processes may do the same, and those of other versions may start at any time.
    """
    folder = prepare()
    if folder is None:
        return
    own = Path(folder)
    with suppress(OSError):
        for left in own.parent.glob(f"*{_REMOVED}"):  # by a process that was killed
            if _FOLDER.fullmatch(left.stem):
                shutil.rmtree(left, ignore_errors=True)
        used = [(_last_used(path), path) for path in own.parent.iterdir() if _FOLDER.fullmatch(path.name)]
        others = sorted((found for found in used if found[0] and found[1] != own), reverse=True)
        for number, (used_s, path) in enumerate(others):
            days = (time.time() - used_s) / _DAY_S
            if days > KEPT_DAYS or (days > 1 and number >= KEPT_FOLDERS):
                _remove(path, used_s)


def _last_used(folder: Path) -> float:
    """Return when a folder was last used, Unix time in s; 0 if it is none of ours."""
    found = 0.0
    for name in (_USED, _DETECTORS, _SCANNER):
        with suppress(OSError):
            found = max(found, (folder / name).stat().st_mtime)
    return found


def _remove(folder: Path, used_s: float) -> None:
    """Remove a folder, unless somebody has just begun to use it; nobody sees a part of it."""
    removed = folder.with_name(folder.name + _REMOVED)
    with suppress(OSError):
        folder.rename(removed)
        if _last_used(removed) == used_s:
            shutil.rmtree(removed, ignore_errors=True)
        else:
            removed.rename(folder)


@cache
def _digest() -> str:
    """Return what compiled code depends on, as the name of a folder."""
    # numba keys its files by their folder too, so another installation's cache would not serve this one
    package = Path(__file__).parent
    key = f"{version('numba')} {version('numpy')} {package} {_processor()}"
    digest = hashlib.blake2b(key.encode(), digest_size=8)
    for sources in (
        "core/**/*.py",
        "detectors/**/*.py",
        "engine/packed_state.py",
        "sources/decode/scan_*.py",
    ):
        for source in sorted(package.glob(sources)):
            digest.update(source.read_bytes())
    return digest.hexdigest()


def _processor() -> str:
    """Return the type of processor that numba compiles for, with its features."""
    from llvmlite import binding  # type: ignore[import-untyped]

    return f"{binding.get_host_cpu_name()} {binding.get_host_cpu_features().flatten()}"


def _bases(chosen: str | None) -> list[Path]:
    """Return the folders to try: the user's choice or the home folder, then one for temporary files."""
    bases = [Path(chosen)] if chosen else []
    if not chosen:
        with suppress(RuntimeError):  # the user has no home folder
            bases.append(Path.home() / ".cache" / "strikewatch")
    with suppress(OSError):  # the machine has no writable folder for temporary files
        own = Path(tempfile.gettempdir()) / f"strikewatch-{os.getuid()}"
        own.mkdir(mode=0o700, exist_ok=True)
        if _is_private(own):
            bases.append(own)
    return bases


def _is_private(folder: Path) -> bool:
    """Tell whether only this user can write to a folder: code is loaded from it, and all users share its parent."""
    found = folder.lstat()
    return not folder.is_symlink() and found.st_uid == os.getuid() and not found.st_mode & 0o022


def ready(*, scanner: bool = True) -> bool:
    """Return whether the detectors, and the scanner of messages if wanted, are compiled already."""
    folder = prepare()
    return folder is not None and all((Path(folder) / name).exists() for name in _names(scanner))


def mark_ready(*, scanner: bool = True) -> None:
    """Note that these are in the cache; a start that was interrupted leaves only some of the detectors.

    They are synced first, so that a power failure does not leave empty files in a cache that is ready.
    """
    folder = prepare()
    if folder is not None:
        with suppress(OSError):
            for path in Path(folder).rglob("*.nb[ci]"):
                with path.open("rb") as file:
                    os.fsync(file)
            for name in _names(scanner):
                (Path(folder) / name).touch()


def _names(scanner: bool) -> tuple[str, ...]:
    return (_DETECTORS, _SCANNER) if scanner else (_DETECTORS,)
