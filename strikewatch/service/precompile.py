"""Compile the detectors at the first start, in several processes at once, and say so.

`python -m strikewatch.service.precompile` does it ahead of the first start, as for the image of a container.
"""

import contextlib
import gc
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from strikewatch import numba_cache
from strikewatch.detectors.registry import DETECTORS
from strikewatch.sources.decode.scan_kernel import compile_scanner

POLL_S: Final = 0.05
REPORT_EVERY_S: Final = 5.0
MAX_PROCESSES: Final = 4
"""The slowest detector takes about a third of the whole."""
FIRST_START: Final = "First start: compiling the detectors, once. It takes about 10 s."
ONLY_SCANNER: Final = "First live start: compiling the scanner of messages, once. It takes a few seconds."
NO_CACHE: Final = (
    "Compiling the detectors, which takes about 20 s at every start: no folder for the result can be "
    f"written to. Set {numba_cache.VARIABLE} to one that can."
)
NOT_SAVED: Final = (
    "The compiled detectors cannot all be saved in {folder} ({reason}), so every start compiles the rest again. Make "
    f"room there, or set {numba_cache.VARIABLE} to another folder."
)
_WORKER: Final = "--worker"
_DONE: Final = ".done"


def precompile(
    report: Callable[[str], object], stopped: Callable[[], bool] = lambda: False, *, scanner: bool = True
) -> None:
    """Compile all detectors or load them from the cache, so that the first step is not slower than the others.

    Returns early once `stopped` is true.

    Args:
        report: takes what is being done, a line at a time; nothing if all is in the cache.
        scanner: also the scanner of messages, which replays do not need.
    """
    ready = numba_cache.ready(scanner=scanner)
    if not ready:
        if numba_cache.prepare() is None:
            report(NO_CACHE)
            _load_compiler(report)
        else:
            report(ONLY_SCANNER if numba_cache.ready(scanner=False) else FIRST_START)
            with contextlib.suppress(OSError):  # without room to share the work, all is compiled below
                _fill_cache(report, stopped, scanner)
    if not stopped():
        for compile_one in _units(scanner).values():
            if stopped():
                return
            compile_one()
        if not ready and _all_saved(report):
            numba_cache.mark_ready(scanner=scanner)


def _units(scanner: bool) -> dict[str, Callable[[], object]]:
    """Return what is compiled by itself, by name; what takes long comes first."""
    slow, quick = (
        # The detectors of one rule share it.
        {
            f"{_function(d.run).__module__}-{len(d.reads)}": d.compile
            for d in DETECTORS
            if d.slow_to_compile is slow
        }
        for slow in (True, False)
    )
    return {
        **slow,
        **({"scanner": compile_scanner} if scanner else {}),
        "step": _compile_step,
        "packing": _compile_packing,
        **quick,
    }


def _function(kernel: Any) -> Any:
    """Return the Python function of a kernel, without loading the compiler."""
    return kernel.py_func


def _compile_step() -> None:
    from strikewatch.detectors.compiled import compiler

    compiler.compile_step()
    compiler.compile_next_part()


def _compile_packing() -> None:
    from strikewatch.engine.packed_state import compile_packing

    compile_packing()


def _load_compiler(report: Callable[[str], object]) -> None:
    """Import the compiler, and report if this version of numba takes longer."""
    from strikewatch.detectors.compiled import compiler

    if not compiler.COMPILES_WHOLE:
        known = ".".join(map(str, compiler.NUMBA_SERIES))
        report(
            f"With this version of numba, {version('numba')}, it takes about three times as long as with {known}; "
            "results are the same."
        )


def _all_saved(report: Callable[[str], object]) -> bool:
    """Tell whether all that was compiled could be saved, and report it if not."""
    from strikewatch.detectors.compiled import compiler

    if compiler.not_saved:
        report(NOT_SAVED.format(reason=compiler.not_saved[0], folder=numba_cache.prepare()))
    return not compiler.not_saved


def _fill_cache(report: Callable[[str], object], stopped: Callable[[], bool], scanner: bool) -> None:
    """Compile in processes that Ctrl-C does not reach: interrupted, numba goes on or fails with another error."""
    with tempfile.TemporaryDirectory(dir=numba_cache.prepare()) as folder:
        command = [sys.executable, "-m", __spec__.name, _WORKER, folder, *(["scanner"] if scanner else [])]
        child = subprocess.Popen(command, process_group=0)
        try:
            _load_compiler(report)  # meanwhile
            reported_s, reported = time.monotonic(), 0
            while not stopped() and child.poll() is None:
                time.sleep(POLL_S)
                done = len([*Path(folder).glob(f"*{_DONE}")])
                if done > reported and time.monotonic() - reported_s >= REPORT_EVERY_S:
                    report(f"Compiled {done} of {len(_units(scanner))} parts.")
                    reported_s, reported = time.monotonic(), done
        finally:
            if child.poll() is None:
                os.killpg(child.pid, signal.SIGKILL)  # also what it forked
                child.wait()


def _compile_in_processes(folder: Path, scanner: bool) -> None:
    """Compile on all cores. The others are forked from this process, which has loaded the compiler."""
    gc.disable()  # a compiler makes many objects and keeps most of them; collecting costs a tenth of the time
    from strikewatch.detectors.compiled import compiler

    with compiler.whole_kernels():  # kernels share what it remembers
        children = []
        for _ in range(min(os.cpu_count() or 1, MAX_PROCESSES) - 1):
            child = os.fork()
            if not child:
                _compile_unclaimed(folder, scanner)
                os._exit(0)
            children.append(child)
        _compile_unclaimed(folder, scanner)
    for child in children:
        os.waitpid(child, 0)


def _compile_unclaimed(folder: Path, scanner: bool) -> None:
    """Compile what no other process has begun; each claims its work by a file in the folder."""
    for name, compile_one in _units(scanner).items():
        try:
            (folder / name).touch(exist_ok=False)
        except FileExistsError:
            continue
        except OSError:  # no room to claim anything: what is left is compiled by the process that waits
            return
        compile_one()
        with contextlib.suppress(OSError):  # it serves the report only
            (folder / (name + _DONE)).touch()


if __name__ == "__main__":
    if sys.argv[1:2] == [_WORKER]:
        _compile_in_processes(Path(sys.argv[2]), "scanner" in sys.argv[3:])
    else:
        try:
            precompile(print)
        except KeyboardInterrupt:
            sys.exit(130)
