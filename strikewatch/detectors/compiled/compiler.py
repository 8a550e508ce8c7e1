"""The compiler of the kernels. Import it only to compile, because it imports numba.

Importing it makes numba's dispatcher of every kernel and puts it in the kernel's place in its module. It happens once,
under the import lock, so other threads wait. A name that another module imported earlier still refers to the `Kernel`;
numba finds the dispatcher in it.
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from types import FunctionType
from typing import Any, Final, cast

import numba
import numpy as np
from numba import types
from numba.core.caching import FunctionCache, NullCache
from numba.core.ccallback import CFunc
from numba.core.compiler import Compiler, CompilerBase
from numba.core.registry import CPUDispatcher
from numba.extending import typeof_impl

from strikewatch import numba_cache
from strikewatch.detectors.base import Detector
from strikewatch.detectors.kernels import CURSOR, FINDING, Kernel, Output, compiled, compiler_loaded


@contextmanager
def _without(*modules: str) -> Iterator[None]:
    """Let imports of these modules fail, unless they are imported already."""
    hidden = [name for name in modules if name not in sys.modules]
    sys.modules.update(dict.fromkeys(hidden))  # type: ignore[arg-type] # None is how Python marks such a module
    try:
        yield
    finally:
        for name in hidden:
            del sys.modules[name]


# numba looks for them to compile linear algebra and calls of C, which no kernel has; they take longer than the rest.
with _without("cffi", "scipy.linalg"):
    import numba.core.typing.cffi_utils
    import numba.np.arraymath

NUMBA_SERIES: Final = (0, 68)
"""The series of numba that `library` and `passes` are written for: they use what numba does not document."""
COMPILES_WHOLE: Final = numba.version_info.short == NUMBA_SERIES
"""Whether kernels are compiled as these describe. Otherwise numba's own way takes longer; results are equal."""


def whole_kernels() -> AbstractContextManager[None]:
    """Compile as `library` describes within this block, if this version of numba is known."""
    if not COMPILES_WHOLE:
        return nullcontext()
    from strikewatch.detectors.compiled.library import whole_kernels

    return whole_kernels()


def _own_or_numbas() -> tuple[type[CompilerBase], type[FunctionCache]]:
    """Return the compiler and the cache of kernels: our own if this version of numba is known."""
    if not COMPILES_WHOLE:
        return Compiler, FunctionCache
    from strikewatch.detectors.compiled.library import KernelCache
    from strikewatch.detectors.compiled.passes import KernelCompiler

    return KernelCompiler, KernelCache


_COMPILER, _NUMBAS_CACHE = _own_or_numbas()
_OPTIONS: Final[dict[str, Any]] = {"error_model": "numpy", **({"_nrt": False} if COMPILES_WHOLE else {})}
"""Without NRT nothing counts references, because kernels make no arrays. numba's own way lets no function return an
array then."""
_INT: Final = numba.int64
_BY_ADDRESS: Final = (_INT,), types.void
"""The types of a function called by its address."""
_OUTPUT: Final = numba.typeof(Output(np.empty(0, FINDING), np.empty(CURSOR, np.int64)))  # type: ignore[no-untyped-call]  # numba's own are untyped


class _Cache(_NUMBAS_CACHE):  # type: ignore[misc,valid-type] # one of two classes
    """The cache of a kernel. It only saves time: a damaged file, or a disk without room, stops nothing."""

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Load a kernel; return None if it is not there, or its file is damaged, as by a power failure."""
        try:
            return super().load_overload(sig, target_context)
        except Exception:  # noqa: BLE001 # damaged bytes make unpickling raise anything
            with suppress(OSError):
                self.flush()  # the kernel is compiled, and saved anew
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Save a kernel if there is room."""
        try:
            super().save_overload(sig, data)
        except OSError as error:
            not_saved.append(error.strerror or str(error))


def _cache(function: Any) -> Any:
    """Return the cache of a kernel."""
    return _Cache(function) if numba_cache.prepare() else NullCache()


not_saved: Final[list[str]] = []
"""Why kernels could not be saved."""


def _emit_types(evidence: int) -> tuple[Any, ...]:
    """Return the types that `emit` takes with so many numbers of evidence."""
    return _OUTPUT, *(_INT,) * 5, types.UniTuple(numba.float64, evidence)  # type: ignore[no-untyped-call]


class _KernelDispatcher(CPUDispatcher):
    """Compiles a kernel as `whole_kernels` says."""

    def compile(self, sig: Any) -> Any:
        """Compile it, or load it from the cache."""
        with whole_kernels():
            return super().compile(sig)


class _PartDispatcher(CPUDispatcher):
    """Compiles a part for types only, not for each constant that it is called with. From Python it runs as Python."""

    evidence_sizes: tuple[int, ...] = ()
    _compiler: Any

    def __call__(self, *arguments: Any) -> Any:
        return self.py_func(*arguments)

    def get_call_template(self, args: Any, kws: Any) -> Any:
        """Find the types of a call from a kernel."""
        if self.evidence_sizes and not self.overloads:
            for size in self.evidence_sizes:
                self.compile(_emit_types(size))
            self.disable_compile()
        return super().get_call_template([*map(types.unliteral, args)], kws)

    def compile(self, sig: Any) -> None:  # type: ignore[override] # nobody asks for the address of a part
        """Compile it for these types. There is nothing to load: a part is cached within its callers."""
        if sig not in self.overloads:
            with whole_kernels():
                self.add_overload(self._compiler.compile(sig, None))


def _make_dispatcher(kernel: Kernel) -> Any:
    function = kernel.py_func
    options = {"nopython": True, "nogil": True, **_OPTIONS, **kernel.options}
    kind = _PartDispatcher if kernel.options else _KernelDispatcher
    kernel.compiled = kind(function, targetoptions=options, pipeline_class=_COMPILER)
    if kernel.options:
        kernel.compiled.evidence_sizes = kernel.evidence_sizes
    else:
        kernel.compiled._cache = _cache(function)
    if function.__globals__.get(function.__name__) is kernel:
        function.__globals__[function.__name__] = kernel.compiled
    return kernel.compiled


@typeof_impl.register(Kernel)
def _typeof(kernel: Kernel, context: Any) -> Any:
    return typeof_impl(kernel.compiled, context)


def compile_detector(detector: Detector) -> int:
    """Compile a detector, or load it from the cache; return its address."""
    # The detectors of one rule share it.
    key = detector.run, len(detector.reads)
    if key not in _compiled:
        from strikewatch.detectors.compiled import entries

        name = compiled(detector.run).py_func.__module__.rpartition(".")[2]
        own = {
            "STATE": detector.state,
            "PARAMS": detector.params_dtype,
            "PARAMS_SIZE": detector.params_dtype.itemsize,
            "READS": len(detector.reads),
            "quiet": compiled(detector.quiet),
            "run": compiled(detector.run),
        }
        take = entries.take_parts if detector.quiet else entries.take_tile
        function = FunctionType(take.__code__, {**vars(entries), **own}, name)
        function.__qualname__ = name  # numba names its cache file by it
        _compiled[key] = _by_address(function)
    return int(_compiled[key].address)


def compile_next_part() -> int:
    """Compile `entries.next_part`, or load it from the cache; return its address."""
    from strikewatch.detectors.compiled import entries

    if entries.next_part not in _compiled:
        _compiled[entries.next_part] = _by_address(entries.next_part)
    return int(_compiled[entries.next_part].address)


def _by_address(function: Any) -> Any:
    """Compile a function that is called by its address."""
    with whole_kernels():
        found: Any = CFunc(
            function, _BY_ADDRESS, {}, _OPTIONS, pipeline_class=cast(type[Compiler], _COMPILER)
        )
        found._cache = _cache(function)
        found.compile()
        return found


def compile_step() -> Callable[[int], int]:
    """Compile the step, or load it from the cache; return it."""
    from strikewatch.detectors.compiled import detect

    step = compiled(detect.detect)
    if not step.signatures:
        step.compile("int64(int64)")
        step.disable_compile()
    return cast(Callable[[int], int], step)


_compiled: Final[dict[Any, Any]] = {}
"""The compiled detectors."""
numba.config.CACHE_DIR = numba_cache.prepare() or numba.config.CACHE_DIR  # type: ignore[attr-defined]
compiler_loaded(_make_dispatcher)
