"""The first start: Ctrl-C while the detectors are compiled, and when they count as compiled."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from strikewatch import numba_cache

ROOT = Path(__file__).parents[2]


def test_ctrl_c_while_compiling_ends_with_one_plain_line(tmp_path: Path) -> None:
    """As in a terminal, the whole process group gets SIGINT; no child goes on compiling."""
    command = [sys.executable, "-m", "strikewatch.cli.main", "replay", "replay_data/hot-bench"]
    process = subprocess.Popen(
        command,
        cwd=ROOT,
        env=os.environ | {"NUMBA_CACHE_DIR": str(tmp_path)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
        preexec_fn=lambda: signal.signal(
            signal.SIGINT, signal.default_int_handler
        ),  # also if pytest ignores it
    )
    assert process.stdout is not None
    first = process.stdout.readline()
    assert first.startswith("First start: compiling the detectors")
    os.killpg(process.pid, signal.SIGINT)
    rest, _ = process.communicate(timeout=120)  # a child that went on would hold the pipe open
    assert (process.returncode, rest) == (130, "strikewatch: interrupted\n")


def test_a_cache_that_an_interrupted_start_left_is_not_ready(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some detectors in it are not enough; a later start says again that it compiles."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    folder = numba_cache.prepare()
    assert folder is not None
    (Path(folder) / "run.manual_greasing-20.py311.nbi").touch()
    assert not numba_cache.ready()
    numba_cache.mark_ready()
    assert numba_cache.ready()


def test_only_what_is_called_by_address_becomes_native_code(tmp_path: Path) -> None:
    """The parts of a detector are in its own code; so the cache has one file for it, not one for each part."""
    command = (
        "from strikewatch.detectors import cold_oil\n"
        "cold_oil.DETECTOR.compile()\n"
        "from strikewatch.detectors.kernels import KERNELS\n"
        "print(sum(len(kernel.compiled.signatures) for kernel in KERNELS))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", command],
        cwd=ROOT,
        env=os.environ | {"NUMBA_CACHE_DIR": str(tmp_path)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert int(done.stdout) > 5
    assert len([*tmp_path.rglob("*.nbc")]) == 1
