"""The cache of compiled detectors: what a disk, a power failure or another user can do to it."""

import os
import pwd
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

import pytest

from strikewatch import numba_cache
from strikewatch.detectors.compiled import compiler
from strikewatch.service import precompile
from tests.service.test_precompile import ROOT, run_script

COMPILE_ONE: Final = (
    "import os, resource\n"
    "resource.setrlimit(resource.RLIMIT_FSIZE, (int(os.environ['MOST_BYTES']),) * 2)\n"
    "from strikewatch.detectors import cold_oil\n"
    "from strikewatch.detectors.compiled import compiler\n"
    "address = cold_oil.DETECTOR.compile()\n"
    "print(address > 0, sum(one._cache_hits for one in compiler._compiled.values()), compiler.not_saved)\n"
)


def compile_one(folder: Path, most_bytes: int = 1 << 30) -> str:
    """Compile a detector in a new process, which cannot write larger files; say what it took and could not save."""
    environment = os.environ | {"NUMBA_CACHE_DIR": str(folder), "MOST_BYTES": str(most_bytes)}
    return subprocess.check_output(
        [sys.executable, "-c", COMPILE_ONE], cwd=ROOT, env=environment, text=True
    ).strip()


def test_a_damaged_cache_is_compiled_and_saved_anew(tmp_path: Path) -> None:
    """A power failure can leave empty files, or files of zeros; every later start would end with an error."""
    assert compile_one(tmp_path) == "True 0 []"
    for pattern, damaged in (("*.nbi", b""), ("*.nbc", b""), ("*.nbc", bytes(5000))):
        (file,) = tmp_path.rglob(pattern)
        file.write_bytes(damaged)
        assert compile_one(tmp_path) == "True 0 []", pattern
        assert compile_one(tmp_path) == "True 1 []", pattern


def test_a_disk_without_room_for_the_cache_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert compile_one(tmp_path, 2000) == "True 0 ['File too large']"
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "other"))
    monkeypatch.setattr(compiler, "not_saved", ["No space left on device"])
    said: list[str] = []
    assert not precompile._all_saved(said.append)
    assert f"{tmp_path}/other" in said[0]
    assert "No space left on device" in said[0]


def test_without_any_folder_for_the_cache_kernels_are_compiled(tmp_path: Path) -> None:
    """As in a container whose file system cannot be written to."""
    done = run_script(NO_FOLDER, tmp_path)
    assert (done.stdout, done.returncode) == ("True\n", 0), done.stderr


NO_FOLDER: Final = """
from strikewatch import numba_cache
numba_cache.prepare = lambda: None
from strikewatch.detectors import cold_oil
print(cold_oil.DETECTOR.compile() > 0)
"""


def test_a_user_without_a_home_has_a_private_folder_for_the_cache(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Code is loaded from it: a folder that another user may have made, or can write to, is not used."""
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.delenv("HOME")
    monkeypatch.setattr(pwd, "getpwuid", {}.__getitem__)  # KeyError, as for a user id without a name
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    found = numba_cache.prepare()
    own = tmp_path / f"strikewatch-{os.getuid()}"
    assert found is not None
    assert Path(found).parent == own
    assert own.stat().st_mode & 0o777 == 0o700
    monkeypatch.delenv("NUMBA_CACHE_DIR")
    own.chmod(0o777)
    assert numba_cache.prepare() is None
    own.chmod(0o700)
    elsewhere = own.rename(tmp_path / "elsewhere")
    own.symlink_to(elsewhere)
    assert numba_cache.prepare() is None


def test_no_folder_for_temporary_files_is_needed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def nowhere() -> str:
        raise FileNotFoundError("No usable temporary directory found")

    monkeypatch.setattr(tempfile, "gettempdir", nowhere)
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    found = numba_cache.prepare()
    assert found is not None
    assert Path(found).parent == tmp_path
    said: list[str] = []
    precompile._fill_cache(said.append, lambda: True, scanner=False)


def test_a_stop_while_all_is_compiled_without_a_cache_is_heard_between_two_detectors(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A service manager kills a process that goes on for 20 s."""
    monkeypatch.setattr(numba_cache, "ready", lambda **_: False)
    monkeypatch.setattr(numba_cache, "prepare", lambda: None)
    made: list[str] = []
    units = {name: lambda name=name: made.append(name) for name in "abc"}
    monkeypatch.setattr(precompile, "_units", lambda _scanner: units)
    precompile.precompile(lambda _line: None, stopped=lambda: len(made) == 1)
    assert made == ["a"]
