"""The passes of numba's compiler that kernels need.

Kernels have no closures, `with` blocks, generators, exceptions, parallel loops or branches on types. Without the passes
that serve these, and what numba repeats after each, compiling takes a quarter less time. A kernel that needs one of
them does not compile.

Like `library`, it uses undocumented parts of one series of numba.
"""

# mypy: disable-error-code="no-untyped-call,method-assign"
# numba is untyped

from functools import cache
from typing import Any, Final

from numba.core import typed_passes, untyped_passes
from numba.core.compiler import CompilerBase
from numba.core.targetconfig import TargetConfig


class _Passes:
    """Runs the passes, each of which works on the state of a compilation."""

    pipeline_name: Final = "kernel"
    exec_times: Final[dict[str, float]] = {}
    passes: Final = (
        untyped_passes.TranslateByteCode(),
        untyped_passes.FixupArgs(),
        untyped_passes.IRProcessing(),
        untyped_passes.GenericRewrites(),
        untyped_passes.ReconstructSSA(),
        typed_passes.NopythonTypeInference(),
        typed_passes.PreLowerStripPhis(),
        typed_passes.IRLegalization(),
        typed_passes.AnnotateTypes(),
        typed_passes.NativeLowering(),
        typed_passes.NoPythonBackend(),
    )

    def run(self, state: Any) -> None:
        for each in self.passes:
            each.run_initialization(state)
            each.run_pass(state)
            each.run_finalizer(state)


class KernelCompiler(CompilerBase):
    """Compiles a kernel, or a part of one."""

    def define_pipelines(self) -> list[_Passes]:
        return [_Passes()]


def _option_values(flags: TargetConfig) -> dict[str, Any]:
    """Return all options, set or not. numba compares them for each call in a kernel, and its own way takes longer."""
    return {**_default_options(type(flags)), **flags._values}


@cache
def _default_options(kind: type[TargetConfig]) -> dict[str, Any]:
    flags = kind()
    return {name: getattr(flags, name) for name in kind.options}


TargetConfig.values = _option_values
