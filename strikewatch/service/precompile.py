"""Compile the detectors at the first start, in several processes at once, and say so.

`python -m strikewatch.service.precompile` does it ahead of the first start, as for the image of a container.
"""

import gc
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from strikewatch import numba_cache
from strikewatch.detectors.registry import DETECTORS
from strikewatch.sources.decode import scan_kernel

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
            with suppress(OSError):  # without room to share the work, all is compiled below
                _fill_cache(report, stopped, scanner)
    if not stopped():
        for compile_one in _units(scanner).values():
            if stopped():
                return
            compile_one()
        if not ready and _all_saved(report):
            numba_cache.mark_ready(scanner=scanner)
            numba_cache.remove_unused()


def _units(scanner: bool) -> dict[str, Callable[[], object]]:
    """Return what is compiled by itself, by name; what takes longest comes first."""
    from strikewatch.detectors.compiled import compiler, detect
    from strikewatch.engine import packed_state

    def compile_step() -> None:
        compiler.compile_step()
        compiler.compile_next_part()

    units: dict[str, tuple[Callable[[], object], tuple[Any, ...]]] = {
        # The detectors of one rule share it.
        f"{_function(d.run).__module__}-{len(d.reads)}": (d.compile, (d.run, d.quiet))
        for d in DETECTORS
    }
    units["step"] = compile_step, (detect.detect,)
    units["packing"] = packed_state.compile_packing, (packed_state.pack_records, packed_state.unpack_records)
    if scanner:
        units["scanner"] = scan_kernel.compile_scanner, (scan_kernel.scan_payloads,)
    sizes = {name: _code_bytes(kernels) for name, (_, kernels) in units.items()}
    return {name: units[name][0] for name in sorted(units, key=lambda name: -sizes[name])}


def _code_bytes(kernels: Iterable[Any]) -> int:
    """Return the size of the byte code of kernels with all that they call: about 7,000 bytes take a second."""
    found: dict[Any, int] = {}
    open_ = [_function(kernel) for kernel in kernels if kernel is not None]
    while open_:
        function = open_.pop()
        if function not in found:
            code = function.__code__
            found[function] = len(code.co_code)
            used = (function.__globals__.get(name) for name in code.co_names)
            open_ += [_function(each) for each in used if hasattr(each, "py_func")]
    return sum(found.values())


def _function(kernel: Any) -> Any:
    """Return the Python function of a kernel, without loading the compiler."""
    return kernel.py_func


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
    os._exit(0)  # without freeing, one by one, all objects that compiling has left


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
        with suppress(OSError):  # it serves the report only
            (folder / (name + _DONE)).touch()


if __name__ == "__main__":
    if sys.argv[1:2] == [_WORKER]:
        _compile_in_processes(Path(sys.argv[2]), "scanner" in sys.argv[3:])
    else:
        try:
            precompile(print)
        except KeyboardInterrupt:
            sys.exit(130)
