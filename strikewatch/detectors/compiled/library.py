"""Compiled code in which a part of a kernel becomes native code only within its callers.

By itself, numba optimizes every function with all that it calls and makes native code of it, and then once more within
each caller, and theirs. Here a function that Python does not call stays as it was lowered; a kernel links everything
that it calls, at any depth, and is optimized once. That takes less than half the time.

It overrides undocumented parts of one series of numba, `compiler.NUMBA_SERIES`: with another, it is not imported.
"""

# mypy: disable-error-code="no-untyped-call,no-any-return"
# numba is untyped

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from llvmlite import binding  # type: ignore[import-untyped]
from numba.core.codegen import JITCodeLibrary
from numba.core.compiler_lock import global_compiler_lock
from numba.core.registry import cpu_target

_COUNTS: Final = ("NRT_incref", "NRT_decref")
_FREES: Final = ("NRT_Free", "NRT_MemInfo_call_dtor")
"""What they call when nothing refers to an array any more."""
_NO_EFFECTS: Final = ("memory", "nounwind", "willreturn")
"""Attributes of a function whose calls can be removed; "memory" says that it reads and writes none."""


class _Library(JITCodeLibrary):
    """The code of one function. It becomes native when the address of something that it defines is asked for."""

    _native = False

    def finalize(self) -> None:
        self._raise_if_finalized()
        self._finalized = True

    def get_pointer_to_function(self, name: str) -> int:
        if not self._native:
            if not any(f.name == name and not f.is_declaration for f in self._final_module.functions):
                return 0  # a part has no wrapper that Python could call
            self._make_native()
        return super().get_pointer_to_function(name)

    def serialize_using_object_code(self) -> Any:
        self._make_native()
        return super().serialize_using_object_code()

    def _make_native(self) -> None:
        if self._native:
            return
        self._finalized = False
        self._linking_libraries = self._closure()
        for library in self._linking_libraries:
            if isinstance(library, _Library):
                self._reload_init.update(library._reload_init)
                self._final_module.link_in(library._own_module(), preserve=True)
        self._linking_libraries = [x for x in self._linking_libraries if not isinstance(x, _Library)]
        super().finalize()

    def _optimize_final_module(self) -> None:
        # without numba's cheaper passes before, which serve reference counts
        self._drop_reference_counts()
        manager, builder = self._codegen._module_pass_manager()
        manager.run(self._final_module, builder)

    def _drop_reference_counts(self) -> None:
        """Let the optimizer remove reference counts, if no function makes an array or takes one from Python."""
        functions = [f for f in self._final_module.functions if f.name.startswith("NRT_")]
        if {f.name for f in functions} <= {*_COUNTS, *_FREES}:
            for function in functions:
                if function.name in _COUNTS:
                    for attribute in _NO_EFFECTS:
                        function.add_function_attribute(attribute)

    def _finalize_final_module(self) -> None:
        self._native = True  # here, or in an earlier process that saved it
        super()._finalize_final_module()

    def _closure(self) -> list[Any]:
        """Return all libraries that this one needs; those of numba are complete by themselves."""
        found: dict[Any, None] = {}
        open_ = list(self._linking_libraries)
        while open_:
            library = open_.pop()
            if library not in found:
                found[library] = None
                if isinstance(library, _Library) and not library._native:
                    open_ += library._linking_libraries
        return list(found)

    def _own_module(self) -> Any:
        """Return the module for linking it into others, without what it calls."""
        if self._native:
            return super()._get_module_for_linking()
        if self._shared_module is None:
            module = self._final_module.clone()
            for function in module.functions:
                if not function.is_declaration and function.linkage == binding.Linkage.external:
                    function.linkage = "linkonce_odr"
            self._shared_module = module
        return self._shared_module

    def _get_module_for_linking(self) -> Any:
        """Return the module for a library of numba, with all that it calls."""
        self._make_native()
        return super()._get_module_for_linking()


@contextmanager
def whole_kernels() -> Iterator[None]:
    """Compile as described above within this block, in this thread; others wait to compile."""
    context = cpu_target.target_context
    with global_compiler_lock:
        context.refresh()  # makes the libraries of numba itself
        codegen = context.codegen()
        before, set_env = codegen._library_class, codegen.set_env
        if before is _Library:
            yield
            return

        def set_env_of_native(name: str, env: Any) -> None:
            if codegen._engine.is_symbol_defined(name):
                set_env(name, env)

        codegen._library_class, codegen.set_env = _Library, set_env_of_native
        try:
            yield
        finally:
            codegen._library_class = before
            del codegen.set_env
