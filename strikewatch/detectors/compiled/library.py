"""Compiled code in which a part of a kernel becomes native code only within its callers.

By itself, numba optimizes every function with all that it calls and makes native code of it, and then once more within
each caller, and theirs. Here a function that Python does not call stays as it was lowered; a kernel links everything
that it calls, at any depth, and is optimized once. That takes less than half the time.

It overrides undocumented parts of one series of numba, `compiler.NUMBA_SERIES`: with another, it is not imported.
"""

# mypy: disable-error-code="no-untyped-call,no-any-return"
# numba is untyped

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any

from llvmlite import binding  # type: ignore[import-untyped]
from numba.core import base, ssa
from numba.core.caching import FunctionCache
from numba.core.codegen import JITCodeLibrary
from numba.core.compiler_lock import global_compiler_lock
from numba.core.registry import cpu_target
from numba.core.types import Record
from numba.core.types.functions import BaseFunction, Dispatcher


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
        """Return what is cached: the native code, and in place of its bitcode only the names that it defines."""
        self._make_native()
        module = self._final_module
        defined = [
            f'define void @"{f.name}"() {{ ret void }}' for f in module.functions if not f.is_declaration
        ]
        defined += [
            f'@"{each.name}" = global i8 0' for each in module.global_variables if not each.is_declaration
        ]
        names = binding.parse_assembly("\n".join(defined))
        return self.name, "object", (self._get_compiled_object(), names.as_bitcode())

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

    def _optimize_functions(self, module: Any) -> None:
        """Leave the functions as they were lowered."""

    def _optimize_final_module(self) -> None:
        # without numba's cheaper passes before, which serve reference counts
        manager, builder = self._codegen._module_pass_manager()
        manager.run(self._final_module, builder)

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


class KernelCache(FunctionCache):
    """Loads a kernel without all that only compiling needs, which takes longer."""

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        with self._guard_against_spurious_io_errors():
            return self._load_overload(sig, target_context)


@contextmanager
def whole_kernels() -> Iterator[None]:
    """Compile as described above within this block, in this thread; others wait to compile."""
    context, typing = cpu_target.target_context, cpu_target.typing_context
    codegen = context.codegen()
    with global_compiler_lock:
        if codegen._library_class is _Library:
            yield
            return
        set_env, library = codegen.set_env, codegen._library_class

        def set_env_of_native(name: str, env: Any) -> None:
            if codegen._engine.is_symbol_defined(name):
                set_env(name, env)

        @cache
        def refresh_once() -> None:
            with _replaced(codegen, _library_class=library, set_env=set_env):
                type(context).refresh(context)  # makes the libraries of numba itself
                type(typing).refresh(typing)

        def refresh() -> None:
            refresh_once()
            _add_intrinsics()

        with (
            _replaced(codegen, _library_class=_Library, set_env=set_env_of_native),
            _replaced(context, refresh=refresh, get_abi_sizeof=cache(context.get_abi_sizeof)),
            _replaced(typing, refresh=_nothing),
            _replaced(base, _has_loc=cache(base._has_loc)),
            _replaced(ssa._logger, debug=_nothing),
            _replaced(Record, __repr__=cache(Record.__repr__)),  # part of messages that nobody reads
            _replaced(BaseFunction, get_call_type=_remembered(BaseFunction.get_call_type)),
            _replaced(Dispatcher, get_call_type=_remembered(Dispatcher.get_call_type)),
        ):
            yield


def _nothing(*_: Any) -> None:
    """Stand in for a method that has nothing to do: the types are refreshed with all else, and nobody debugs."""


def _add_intrinsics() -> None:
    """Add the intrinsics found since: the only implementations that come while kernels are compiled."""
    context = cpu_target.target_context
    context.install_registry(next(iter(context._registries)))  # numba puts them into the first


def _remembered(resolve: Callable[..., Any]) -> Callable[..., Any]:
    """Remember the signature of each call by its types: numba resolves every call several times."""
    found: dict[Any, Any] = {}

    def get_call_type(function: Any, context: Any, args: Any, kws: Any) -> Any:
        if kws:
            return resolve(function, context, args, kws)
        key = function, *args
        if key not in found:
            found[key] = resolve(function, context, args, kws)
        return found[key]

    return get_call_type


@contextmanager
def _replaced(owner: Any, **attributes: Any) -> Iterator[None]:
    """Replace attributes of an object or a class within this block."""
    before = {name: vars(owner)[name] for name in attributes if name in vars(owner)}
    for name, value in attributes.items():
        setattr(owner, name, value)
    try:
        yield
    finally:
        for name in attributes:
            if name in before:
                setattr(owner, name, before[name])
            else:
                delattr(owner, name)
