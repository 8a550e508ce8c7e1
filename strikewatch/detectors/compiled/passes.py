"""The passes of numba's compiler that kernels need.

Kernels have no closures, `with` blocks, generators, exceptions, parallel loops or branches on types, and they make no
arrays, so nothing counts references. Without the passes that serve these, and what numba repeats after each, compiling
takes half the time. A kernel that needs one of them does not compile.

Like `library`, it uses undocumented parts of one series of numba.
"""

# mypy: disable-error-code="no-untyped-call"
# numba is untyped

from collections.abc import Sequence
from functools import cache
from typing import Any, Final

from numba.core import interpreter, typed_passes
from numba.core.compiler import CompilerBase, Flags
from numba.core.ir_utils import build_definitions
from numba.core.rewrites.static_binop import DetectStaticBinops
from numba.core.rewrites.static_getitem import RewriteConstGetitems, RewriteConstSetitems
from numba.core.ssa import reconstruct_ssa
from numba.core.transforms import canonicalize_cfg
from numba.core.typed_passes import type_inference_stage


class KernelFlags(Flags):
    """The options of a compilation. numba compares them for each call in a kernel, and its own way takes longer."""

    def values(self) -> dict[str, Any]:
        """Return all options, set or not."""
        return {**_defaults(), **self._values}


@cache
def _defaults() -> dict[str, Any]:
    flags = Flags()
    return {name: getattr(flags, name) for name in Flags.options}


class _Interpreter(interpreter.Interpreter):
    """Makes numba's intermediate representation from byte code, with only the corrections that calls need."""

    def post_process(self, _peepholes: Sequence[Any], func_ir: Any) -> Any:
        for correct in (
            interpreter.peep_hole_list_to_tuple,
            interpreter.peep_hole_call_function_ex_to_call_function_kw,
        ):
            func_ir = correct(func_ir)
        return func_ir


def _translate(state: Any) -> None:
    state.func_ir = _Interpreter(state.func_id).interpret(state.bc)
    state.nargs = state.func_ir.arg_count
    state.func_ir.blocks = canonicalize_cfg(state.func_ir.blocks)
    state.func_ir.generator_info = None


def _find_constants(state: Any) -> None:
    """Find the constants in subscripts and powers."""
    blocks = state.func_ir.blocks
    for kind in (RewriteConstGetitems, RewriteConstSetitems, DetectStaticBinops):
        rewrite = kind(state)
        for label in blocks:
            while rewrite.match(state.func_ir, blocks[label], None, None):
                blocks[label] = rewrite.apply()


def _assign_once(state: Any) -> None:
    """Give each assignment a variable of its own."""
    state.func_ir = reconstruct_ssa(state.func_ir)
    state.func_ir._definitions = build_definitions(state.func_ir.blocks)


def _infer_types(state: Any) -> None:
    state.typemap, state.return_type, state.calltypes, state.typing_errors = type_inference_stage(
        state.typingctx, state.targetctx, state.func_ir, state.args, state.return_type, state.locals
    )


def _join_assignments(state: Any) -> None:
    """Let assignments that meet in a block share a variable again, as lowering expects."""
    state.func_ir = typed_passes.PreLowerStripPhis()._strip_phi_nodes(state.func_ir)


_annotate: Final = typed_passes.AnnotateTypes().run_pass
_lower: Final = typed_passes.NativeLowering().run_pass
_finish: Final = typed_passes.NoPythonBackend().run_pass


class _Passes:
    """Runs the passes, each of which works on the state of a compilation."""

    pipeline_name: Final = "kernel"
    exec_times: Final[dict[str, float]] = {}

    def run(self, state: Any) -> None:
        for run_pass in (
            _translate,
            _find_constants,
            _assign_once,
            _infer_types,
            _join_assignments,
            _annotate,
            _lower,
            _finish,
        ):
            run_pass(state)


class KernelCompiler(CompilerBase):
    """Compiles a kernel, or a part of one."""

    def __init__(
        self,
        typing_context: Any,
        target_context: Any,
        library: Any,
        args: Any,
        return_type: Any,
        flags: Flags,
        locals: Any,
    ) -> None:
        super().__init__(
            typing_context, target_context, library, args, return_type, KernelFlags(flags), locals
        )

    def define_pipelines(self) -> list[_Passes]:
        return [_Passes()]
