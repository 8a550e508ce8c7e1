"""Where compiled detectors are kept between starts.

By the source they came from: numba looks at an edited file alone, while a kernel also holds the functions that it took
from other files, so that an old one could go on living.
"""

import hashlib
import os
import tempfile
from importlib.metadata import version
from pathlib import Path
from typing import Final

VARIABLE: Final = "NUMBA_CACHE_DIR"


def prepare() -> str | None:
    """Choose the folder for this very source, and name it in the environment for child processes.

    A folder set by hand is its parent. Returns None where no folder can be written to.
    """
    digest = hashlib.blake2b(f"{version('numba')} {version('numpy')}".encode(), digest_size=8)
    for room in ("core", "detectors"):
        for source in sorted((Path(__file__).parent / room).rglob("*.py")):
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
    """Whether a start finds its detectors compiled; the very first one has to wait for them."""
    folder = prepare()
    return folder is not None and any(Path(folder).rglob("manual_greasing.run*.nbi"))
