"""The first start: Ctrl-C while it compiles the detectors, when they count as compiled, and other versions of numba."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from llvmlite import binding

from strikewatch import numba_cache
from strikewatch.detectors.compiled import compiler
from strikewatch.service import precompile
from tests import waiting

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


def test_a_replay_compiles_no_scanner_of_messages_and_the_first_live_start_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    numba_cache.mark_ready(scanner=False)
    assert numba_cache.ready(scanner=False)
    assert not numba_cache.ready()
    assert "scanner" in precompile._units(scanner=True)
    assert "scanner" not in precompile._units(scanner=False)
    said: list[str] = []
    precompile.precompile(said.append, stopped=lambda: True)
    assert said[0] == precompile.ONLY_SCANNER


def test_another_type_of_processor_has_a_cache_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """numba would silently compile each detector when it is first used, one after the other."""
    for number, processor in enumerate(("haswell", "znver4", "haswell")):
        monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
        monkeypatch.setattr(binding, "get_host_cpu_name", lambda processor=processor: processor)
        numba_cache._digest.cache_clear()
        assert numba_cache.ready() is (number == 2)
        numba_cache.mark_ready()
    monkeypatch.undo()
    numba_cache._digest.cache_clear()


def _make_folder(cache: Path, number: int, unused_days: float) -> Path:
    """Make the folder of another version, last used that long ago."""
    folder = cache / f"{number:016x}"
    (folder / "detectors_1234").mkdir(parents=True)
    (folder / "detectors_1234" / "cold_oil.1.nbc").write_bytes(b"code")
    used_s = time.time() - unused_days * 86_400
    for name in ("used", "detectors"):
        (folder / name).touch()
        os.utime(folder / name, (used_s, used_s))
    return folder


def test_folders_of_versions_no_longer_used_are_removed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a month; of many versions, as where the source changes daily, the last ones are kept."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    own = numba_cache.prepare()
    ages_days = [0.5, 0.9, *(2.0 + k for k in range(12)), 29.0, 31.0, 400.0]
    folders = [_make_folder(tmp_path, number, age) for number, age in enumerate(ages_days)]
    (tmp_path / "0123456789abcdef").mkdir()  # it might be anything
    (tmp_path / "of another program").mkdir()
    (tmp_path / f"{99:016x}.removed" / "detectors_1234").mkdir(parents=True)
    numba_cache.remove_unused()
    kept = {folder for folder in folders if folder.exists()}
    assert kept == set(folders[: numba_cache.KEPT_FOLDERS])
    others = {str(tmp_path / name) for name in ("0123456789abcdef", "of another program")}
    assert {str(path) for path in tmp_path.iterdir()} == {str(own), *others, *map(str, kept)}


def test_versions_used_today_are_kept_however_many(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    folders = [_make_folder(tmp_path, number, 0.5) for number in range(3 * numba_cache.KEPT_FOLDERS)]
    numba_cache.remove_unused()
    assert all(folder.exists() for folder in folders)


def test_a_version_that_starts_while_its_folder_is_removed_keeps_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    folder = _make_folder(tmp_path, 1, 400.0)
    rename = Path.rename

    def begin_to_use(path: Path, target: Path) -> Path:
        if path == folder:
            (path / "used").touch()
        return rename(path, target)

    monkeypatch.setattr(Path, "rename", begin_to_use)
    numba_cache.remove_unused()
    assert (folder / "detectors_1234" / "cold_oil.1.nbc").exists()


def test_a_folder_that_cannot_be_removed_stops_no_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As of another user."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    folder = _make_folder(tmp_path, 1, 400.0)

    def refuse(*_: object) -> Path:
        raise PermissionError("not yours")

    monkeypatch.setattr(Path, "rename", refuse)
    numba_cache.remove_unused()
    assert folder.exists()


def test_several_processes_remove_at_once(tmp_path: Path) -> None:
    for number in range(200):
        _make_folder(tmp_path, number, 400.0)
    command = [sys.executable, "-c", "from strikewatch import numba_cache; numba_cache.remove_unused()"]
    environment = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path)}
    started = [
        subprocess.Popen(command, cwd=ROOT, env=environment, stderr=subprocess.PIPE, text=True)
        for _ in range(3)
    ]
    assert [process.communicate(timeout=60)[1] for process in started] == [""] * 3
    assert len([*tmp_path.iterdir()]) == 1


def test_a_start_notes_that_its_folder_is_in_use(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for _ in range(2):
        monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))  # as set by the user
        folder = numba_cache.prepare()
        assert folder is not None
        assert time.time() - numba_cache._last_used(Path(folder)) < 3600
        os.utime(Path(folder) / "used", (0, 0))


def test_what_takes_longest_is_compiled_first() -> None:
    """So that no core is idle at the end. By the size of the code; blank firing takes a third of the whole."""
    units = precompile._units(scanner=True)
    assert next(iter(units)).startswith("strikewatch.detectors.blank_firing")
    assert [*units][-1] == "packing"
    quick = next(name for name in units if "cold_oil" in name)
    assert [*units].index("step") < [*units].index(quick)


def _running(group: int) -> list[str]:
    """Return the processes of a process group that have not ended."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):  # it has just ended
            state, _, own_group, *_ = stat.read_text().rpartition(")")[2].split()
            if int(own_group) == group and state not in "ZX":
                found.append(stat.parent.name)
    return found


def test_compiling_says_how_far_it_is_and_leaves_no_process_when_stopped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In lines, so that a log or a pipe has them too."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    monkeypatch.setattr(precompile, "REPORT_EVERY_S", 0.0)
    started: list[subprocess.Popen[bytes]] = []
    popen = subprocess.Popen

    def start(*args: Any, **options: Any) -> subprocess.Popen[bytes]:
        started.append(popen(*args, **options))
        return started[-1]

    monkeypatch.setattr(subprocess, "Popen", start)
    said: list[str] = []
    most = 0

    def stopped() -> bool:
        nonlocal most
        most = max(most, len(_running(started[0].pid)))
        return len(said) > 1

    precompile.precompile(said.append, stopped)
    assert said[1] == f"Compiled 1 of {len(precompile._units(scanner=True))} parts."
    assert most == min(os.cpu_count() or 1, precompile.MAX_PROCESSES)  # all but the first are forked
    waiting.until(lambda: not _running(started[0].pid))


def test_only_what_is_called_by_address_becomes_native_code(tmp_path: Path) -> None:
    """The parts of a detector are in its own code; so the cache has one file for it, not one for each part."""
    command = (
        "from strikewatch.detectors import cold_oil\n"
        "cold_oil.DETECTOR.compile()\n"
        "from strikewatch.detectors.kernels import KERNELS\n"
        "from strikewatch.detectors.compiled import compiler\n"
        "code = ''.join(one._library.get_llvm_str() for one in compiler._compiled.values())\n"
        "assert 'define ' in code and 'NRT_incref' not in code and 'NRT_decref' not in code\n"  # counts no references
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


def test_a_kernel_in_the_cache_is_loaded_without_what_only_compiling_needs(tmp_path: Path) -> None:
    """numba's implementations of functions take longer to import than all kernels take to load."""
    command = (
        "from numba.core.registry import cpu_target\n"
        "from strikewatch.detectors import cold_oil\n"
        "print(cold_oil.DETECTOR.compile() > 0, len(cpu_target.target_context._registries) > 0)\n"
    )
    environment = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path)}
    for compiles in (True, False):
        printed_text = subprocess.check_output(
            [sys.executable, "-c", command], cwd=ROOT, env=environment, text=True
        )
        assert printed_text == f"True {compiles}\n"


def run_script(code: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run code in a new process with an empty cache, where warnings are errors."""
    script = folder / "script.py"
    script.write_text(code)
    environment = os.environ | {"NUMBA_CACHE_DIR": str(folder / "cache")}
    command = [sys.executable, "-W", "error", str(script)]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)


OTHER_USER = """
import threading
import numba
import numpy as np
from numba.core.registry import cpu_target
from numba.core.targetconfig import TargetConfig
from numba.core.types import functions
from strikewatch.detectors import cold_oil
from strikewatch.detectors.compiled import compiler

@numba.njit
def squares(n):
    found = np.empty(n)
    for k in range(n):
        found[k] = k * k
    if n > 5:
        raise ValueError("too many")
    return found[found > 3.0]

def inside():
    context = cpu_target.target_context
    codegen = context.codegen()
    return (
        TargetConfig.values, functions.BaseFunction.get_call_type, functions.Dispatcher.get_call_type,
        codegen._library_class, codegen.set_env, context.refresh, context.get_abi_sizeof,
        context.typing_context.refresh,
    )

before = str(inside())
thread = threading.Thread(target=cold_oil.DETECTOR.compile)
thread.start()
found = squares(5).tolist()
try:
    squares(6)
except ValueError as error:
    found.append(str(error))
thread.join()
print(found, str(inside()) == before)
"""


def test_other_users_of_numba_in_the_process_are_not_affected(tmp_path: Path) -> None:
    """Kernels count no references and raise nothing. A function that does works, also compiled at the same time."""
    done = run_script(OTHER_USER, tmp_path)
    assert (done.stdout, done.returncode) == ("[4.0, 9.0, 16.0, 'too many'] True\n", 0), done.stderr


OTHER_NUMBA = """
import sys
import numba
import numpy as np
numba.version_info = numba.version_info._replace(minor=99, short=(0, 99))
from strikewatch.detectors.compiled import compiler
from strikewatch.detectors.greasing.automatic_greasing import DETECTOR
from strikewatch.detectors.maintenance.forecast import days_left

# ten days alike, 5 h each: 20 h take 4 days
print(*days_left(np.full(10, 5.0), 10, 20.0))
inside = {f"strikewatch.detectors.compiled.{name}" for name in ("library", "passes")}
print(compiler.compile_detector(DETECTOR) > 0, not inside & sys.modules.keys())
"""


def test_with_another_series_of_numba_detectors_are_compiled_in_its_own_way(tmp_path: Path) -> None:
    """What relies on the inside of one series is then not even imported."""
    done = run_script(OTHER_NUMBA, tmp_path)
    assert (done.stdout, done.returncode) == ("4.0 4.0\nTrue True\n", 0), done.stderr


def test_the_first_start_says_that_this_numba_takes_longer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(numba_cache, "ready", lambda **_: False)
    monkeypatch.setattr(numba_cache, "prepare", lambda: None)
    said: list[str] = []
    for quick in (True, False):
        monkeypatch.setattr(compiler, "COMPILES_WHOLE", quick)
        precompile.precompile(said.append, stopped=lambda: True)
    assert said[:2] == [precompile.NO_CACHE] * 2
    assert len(said) == 3
    assert "0.68" in said[-1]
