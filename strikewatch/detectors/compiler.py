"""The compiler of the kernels: import it only to compile, for it imports numba.

Importing it makes numba's dispatcher of every kernel and puts it in the kernel's place in its module, once: the lock
on a module that is being imported has other threads wait. What other modules have imported by name before stays a
`Kernel`; numba sees the dispatcher in it.
"""

from collections.abc import Iterable
from typing import Any, Final

import numba
import numpy as np
from numba.extending import typeof_impl

from strikewatch import numba_cache
from strikewatch.detectors.kernels import FINDING, Kernel, compiler_loaded

_INT: Final = numba.int64
_FINDINGS: Final = numba.typeof(np.empty(0, FINDING))  # type: ignore[no-untyped-call]  # numba's own are untyped


def _signature(evidence: int) -> Any:
    """That of `emit` for so many numbers."""
    return _INT(_FINDINGS, *(_INT,) * 7, numba.types.UniTuple(numba.float64, evidence))  # type: ignore[no-untyped-call]


def _realise(kernel: Kernel) -> Any:
    signatures = [_signature(size) for size in kernel.evidence_sizes] or None
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
    """Compile for arguments like these, or take that from an earlier start, and refuse all others."""
    if dispatcher.signatures:
        return
    dispatcher.compile(tuple(numba.typeof(one) for one in like))  # type: ignore[no-untyped-call]
    dispatcher.disable_compile()


numba.config.CACHE_DIR = numba_cache.prepare() or numba.config.CACHE_DIR  # type: ignore[attr-defined]
compiler_loaded(_realise)
