"""The compiler of the kernels. Import it only to compile, because it imports numba.

Importing it makes numba's dispatcher of every kernel and puts it in the kernel's place in its module. It happens once,
under the import lock, so other threads wait. A name that another module imported earlier still refers to the `Kernel`;
numba finds the dispatcher in it.
"""

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any, Final

import numba
import numpy as np
from numba.extending import typeof_impl

from strikewatch import numba_cache
from strikewatch.detectors.kernels import FINDING, Kernel, Output, compiler_loaded


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

_INT: Final = numba.int64
_OUTPUT: Final = numba.typeof(Output(np.empty(0, FINDING), np.empty(2, np.int64)))  # type: ignore[no-untyped-call]  # numba's own are untyped


def _emit_signature(evidence: int) -> Any:
    """Return the signature of `emit` for so many numbers of evidence."""
    return _INT(_OUTPUT, *(_INT,) * 5, numba.types.UniTuple(numba.float64, evidence))  # type: ignore[no-untyped-call]


def _make_dispatcher(kernel: Kernel) -> Any:
    signatures = [_emit_signature(size) for size in kernel.evidence_sizes] or None
    options: dict[str, Any] = {"cache": True, "nogil": True, "error_model": "numpy", **kernel.options}
    function = kernel.py_func
    kernel.compiled = numba.njit(signatures, **options)(function)
    if function.__globals__.get(function.__name__) is kernel:
        function.__globals__[function.__name__] = kernel.compiled
    return kernel.compiled


@typeof_impl.register(Kernel)
def _typeof(kernel: Kernel, context: Any) -> Any:
    return typeof_impl(kernel.compiled, context)


def compile_for(dispatcher: Any, like: Iterable[Any]) -> None:
    """Compile a dispatcher for arguments like these, or load it from the cache, and refuse all other types."""
    if dispatcher.signatures:
        return
    dispatcher.compile(tuple(numba.typeof(argument) for argument in like))  # type: ignore[no-untyped-call]
    dispatcher.disable_compile()


numba.config.CACHE_DIR = numba_cache.prepare() or numba.config.CACHE_DIR  # type: ignore[attr-defined]
compiler_loaded(_make_dispatcher)
