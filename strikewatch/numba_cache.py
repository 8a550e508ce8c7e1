"""Where compiled detectors are cached between starts: in one folder per installation and version of their source.

numba's own check covers only the file of a kernel. A kernel also contains functions from other files, so an outdated
one could stay in use.
"""

import hashlib
import os
import tempfile
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path
from typing import Final

VARIABLE: Final = "NUMBA_CACHE_DIR"
_COMPLETE: Final = "complete"
"""An empty file in the folder, once everything has been compiled."""


def prepare() -> str | None:
    """Choose the folder for this version of the source, and set it in the environment for child processes.

    A folder set by the user is its parent. Returns None if no folder can be written to.
    """
    # numba keys its files by their folder too, so another installation's cache would not serve this one
    key = f"{version('numba')} {version('numpy')} {Path(__file__).parent}"
    digest = hashlib.blake2b(key.encode(), digest_size=8)
    for sources in ("core/**/*.py", "detectors/**/*.py", "sources/decode/scan_*.py"):
        for source in sorted(Path(__file__).parent.glob(sources)):
            digest.update(source.read_bytes())
    name = digest.hexdigest()
    chosen = os.environ.get(VARIABLE)
    if chosen and chosen.endswith(name):
        return chosen
    usual = Path(chosen) if chosen else Path.home() / ".cache" / "strikewatch"
    for base in (usual, Path(tempfile.gettempdir()) / "strikewatch"):
        try:
            (base / name).mkdir(parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(base / name, os.W_OK):
            os.environ[VARIABLE] = str(base / name)
            return str(base / name)
    return None


def ready() -> bool:
    """Return whether all detectors are compiled already; the first start has to wait for them."""
    folder = prepare()
    return folder is not None and (Path(folder) / _COMPLETE).exists()


def mark_ready() -> None:
    """Note that all detectors are in the cache; a start that was interrupted leaves only some of them."""
    folder = prepare()
    if folder is not None:
        with suppress(OSError):
            (Path(folder) / _COMPLETE).touch()
