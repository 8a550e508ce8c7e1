"""Access to the arrays and records of a step by their addresses, for compiled functions.

It imports numba: import it only to compile.
"""

from typing import Any, Final

import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic, lower_builtin, type_callable
from numba.np import arrayobj

from strikewatch.detectors.kernels import CURSOR, DETECTOR, EVENT, FINDING, GROUP, Output, part, scratch
from strikewatch.detectors.tiles import DIGEST, NOTHING, RUN, TILE, Column, Rows

INT: Final = np.dtype("<i8")
FLOAT: Final = np.dtype("<f8")
WORDS: Final = np.dtype("<u8")
SIZE: Final = 8
"""Bytes of an integer or a float."""


def _to_array(_context: Any, _address: Any, _size: Any, dtype: Any) -> Any:
    array = types.Array(dtype.dtype, 1, "C")

    def generate(target: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        address, size, _ = arguments
        view = arrayobj.make_array(array)(target, builder)  # type: ignore[no-untyped-call]
        itemsize = target.get_constant(types.intp, target.get_abi_sizeof(target.get_data_type(array.dtype)))
        pointer = builder.inttoptr(address, view.data.type)
        arrayobj.populate_array(view, pointer, [size], [itemsize], itemsize, meminfo=None)  # type: ignore[no-untyped-call]
        return view._getvalue()

    return array(types.int64, types.int64, dtype), generate


def _to_record(_context: Any, _address: Any, dtype: Any) -> Any:
    def generate(target: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        pointer = builder.inttoptr(arguments[0], target.get_data_type(dtype.dtype).as_pointer())
        return target.unpack_value(builder, dtype.dtype, pointer)

    return dtype.dtype(types.int64, dtype), generate


def _to_call(_context: Any, _address: Any, _argument: Any) -> Any:
    def generate(target: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        function = ir.FunctionType(ir.VoidType(), [ir.IntType(64)])
        builder.call(builder.inttoptr(arguments[0], function.as_pointer()), [arguments[1]])
        return target.get_dummy_value()

    return types.void(types.int64, types.int64), generate


@type_callable(scratch)
def _type_scratch(_context: Any) -> Any:
    def typer(size: Any, dtype: Any) -> Any:
        return types.Array(dtype.dtype, 1, "C") if isinstance(size, types.IntegerLiteral) else None

    return typer


@lower_builtin(scratch, types.IntegerLiteral, types.Any)  # type: ignore[no-untyped-call,untyped-decorator]
def _make_scratch(target: Any, builder: Any, signature: Any, _arguments: Any) -> Any:
    array = signature.return_type
    size = signature.args[0].literal_value
    view = arrayobj.make_array(array)(target, builder)  # type: ignore[no-untyped-call]
    lowered = target.get_data_type(array.dtype)
    itemsize = target.get_constant(types.intp, target.get_abi_sizeof(lowered))
    pointer = cgutils.alloca_once(builder, lowered, size=size)  # type: ignore[no-untyped-call]
    shape = [target.get_constant(types.intp, size)]
    arrayobj.populate_array(view, pointer, shape, [itemsize], itemsize, meminfo=None)  # type: ignore[no-untyped-call]
    return view._getvalue()


call_at: Final[Any] = intrinsic(_to_call)
"""Call the function at an address with one integer."""
array_at: Final[Any] = intrinsic(_to_array)
"""Return the array at an address: `array_at(address, size, dtype)`."""
record_at: Final[Any] = intrinsic(_to_record)
"""Return the record, or the number, at an address: `record_at(address, dtype)`."""


@part
def values_of(step: Any, k: int) -> Any:
    """Return the values of channel k; no elements if no hammer has it."""
    return array_at(step.columns[k], step.rows if step.columns[k] else 0, FLOAT)


@part
def indexed_like_rows(address: int, tile: Any, dtype: Any) -> Any:
    """Return room for one value for each of the tile's rows, and one more, indexed like the rows."""
    return array_at(address - SIZE * tile.first, tile.last + 1, dtype)


@part
def state_address(step: Any, tile: Any) -> int:
    return step.states + tile.group * step.state_size  # type: ignore[no-any-return]


@part
def _column(step: Any, digests: Any, k: int) -> Any:
    digest = digests[k]
    return Column(
        values_of(step, k), digest.n, digest.lowest, digest.highest, digest.first, digest.last, digest.widest
    )


@part
def columns_of(step: Any, address: int) -> Any:
    """Return the columns that the detector in work reads, with the digests at an address, and more up to MAX_READS."""
    reads = step.reads[step.detector]
    digests = array_at(address, NOTHING + 1, DIGEST)
    return (
        _column(step, digests, reads[0]),
        _column(step, digests, reads[1]),
        _column(step, digests, reads[2]),
        _column(step, digests, reads[3]),
    )


@part
def rows_of(step: Any, tile: Any, runs: int) -> Any:
    """Return the rows of a tile, with the runs of firing at an address."""
    masks = step.rows if step.bad else 0
    return Rows(
        array_at(step.time_ns, step.rows, INT),
        array_at(runs, tile.runs, RUN),
        array_at(step.events, tile.last_event, EVENT),
        array_at(step.bad, masks, WORDS),
        array_at(step.good, masks, WORDS),
        indexed_like_rows(step.firing_ends, record_at(step.tile, TILE), INT),
    )


@part
def output_of(step: Any) -> Any:
    """Return where the detector in work writes its findings."""
    cursor = array_at(step.cursor, CURSOR, INT)
    cursor[GROUP] = step.group
    cursor[DETECTOR] = step.detector
    return Output(array_at(step.findings, step.capacity, FINDING), cursor)
