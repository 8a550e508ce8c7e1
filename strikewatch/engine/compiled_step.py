"""One compiled call for all detectors: it packs their input into a record of `STEP`."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from strikewatch.core.channels import CHANNELS
from strikewatch.detectors import coverage, pose
from strikewatch.detectors.compiled.step import DONE, IMPOSSIBLE, MAX_READS, NOT_BEGUN, STEP
from strikewatch.detectors.kernels import CURSOR, FINDING, WRITTEN
from strikewatch.detectors.registry import DETECTORS
from strikewatch.detectors.tiles import DIGEST, NOTHING, RUN, TILE, TILE_ROWS
from strikewatch.engine.inputs import Inputs
from strikewatch.engine.state import STATE

_FIRING: Final = "reading"
_SENSOR_FAULT: Final = "sensor_fault"
ROOM: Final = 4096
FEW: Final = 256
"""Up to so many rows are copied rather than referred to."""


class ImpossibleValuesError(Exception):
    """There are physically impossible values among the input."""


class CompiledStep:
    """The compiled detectors with the memory that they work in; for one thread at a time.

    Args:
        tile_rows: up to TILE_ROWS.
        room: for so many findings beyond the most of one tile; if there are more, the call is interrupted.
        never_quiet: every detector takes every tile by rows.
    """

    def __init__(self, *, tile_rows: int = TILE_ROWS, room: int = ROOM, never_quiet: bool = False) -> None:
        from strikewatch.detectors.compiled import compiler

        self._run = compiler.compile_step()
        self._record = np.zeros(1, STEP)
        self._step = self._record[0]
        self._kept: dict[str, Any] = {}
        step = self._step
        step["own"] = _address(self._record)
        step["detectors"] = len(DETECTORS)
        for k, detector in enumerate(DETECTORS):
            step["run"][k] = detector.compile()
            step["state_offset"][k] = _offset(detector.name)
            unused = MAX_READS - len(detector.reads)
            step["reads"][k] = [*(_INDEX[name] for name in detector.reads), *(NOTHING,) * unused]
        step["next_part"] = compiler.compile_next_part()
        step["state_size"] = STATE.itemsize
        step["firing_offset"] = _offset(_FIRING)
        step["coverage_offset"] = _offset(coverage.NAME)
        step["pose_offset"] = _offset(pose.NAME)
        step["impossible_offset"] = _offset(_SENSOR_FAULT, "impossible")
        step["tile_rows"] = tile_rows
        self._most = 4 * (tile_rows + 1) + 40  # findings of a detector in a tile without events
        self._room = room
        step["never_quiet"] = never_quiet
        self._keep("bits", np.zeros(TILE_ROWS // 64 + 1, np.uint64))
        for name in ("tile", "part"):
            self._keep(name, np.zeros(1, TILE))
        for name in ("digests", "part_digests"):
            self._keep(name, np.zeros(NOTHING + 1, DIGEST))
            self._kept[name]["lowest"], self._kept[name]["highest"] = np.inf, -np.inf
        for name in ("runs", "part_runs"):
            self._keep(name, np.zeros(TILE_ROWS + 2, RUN))
        for name in ("firing_ends", "tool_x_m", "tool_y_m"):
            self._keep(name, np.zeros(TILE_ROWS + 1, np.int64))
        self._cursor = np.zeros(CURSOR, np.int64)
        self._keep("cursor", self._cursor)
        self._findings = np.empty(0, FINDING)
        self._few_times, self._few = np.zeros(FEW, np.int64), np.zeros((NOTHING, FEW))
        self._few_times_at, self._few_at = _address(self._few_times), _address(self._few)

    def set_params(self, params: Mapping[str, Any]) -> None:
        """Set the arrays of parameters by slot, by the name of the detector, of `firing` and of `pose`."""
        self._keep("firing_params", params["firing"])
        self._keep("pose_params", params[pose.NAME])
        for k, detector in enumerate(DETECTORS):
            self._kept[detector.name] = params[detector.name]
            self._step["params"][k] = _address(params[detector.name])

    def run(self, inputs: Inputs, spans: Any, states: Any, *, report: bool) -> Any:
        """Run all detectors; return what they found (FINDING [n]), valid until the next call.

        Args:
            spans: SPAN [groups].
            states: the records of STATE of the groups; they are advanced.

        Raises:
            ImpossibleValuesError: the input has impossible values, or a hammer has a channel with a sensor fault, and
                there are no `bad` and `good`; `states` are then no longer of use.
        """
        step = self._step
        most = len(DETECTORS) * (self._most + 16 * len(inputs.events)) + self._room
        if len(self._findings) < most:
            self._findings = np.empty(most, FINDING)
            self._keep("findings", self._findings)
            step["capacity"] = most
        step["report"] = report
        step["group"] = 0
        step["row"] = NOT_BEGUN
        step["groups"] = len(spans)
        step["spans"] = _address(spans)
        step["states"] = _address(states)
        step["events"] = _address(inputs.events) if len(inputs.events) else 0
        self._set_columns(inputs)
        step["bad"] = 0 if inputs.bad is None else _address(inputs.bad)
        step["good"] = 0 if inputs.good is None else _address(inputs.good)
        parts: list[Any] = []
        while True:
            self._cursor[WRITTEN] = 0
            outcome = self._run(int(step["own"]))
            if outcome == IMPOSSIBLE:
                raise ImpossibleValuesError
            written = self._findings[: self._cursor[WRITTEN]]
            if outcome == DONE:
                return np.concatenate([*parts, written]) if parts else written
            parts.append(written.copy())

    def _set_columns(self, inputs: Inputs) -> None:
        """Set the addresses of the columns; a few rows are copied to a fixed place, which costs less."""
        step = self._step
        n = len(inputs.time_ns)
        few = n <= FEW
        step["rows"] = n
        if few:
            self._few_times[:n] = inputs.time_ns
        step["time_ns"] = self._few_times_at if few else _address(inputs.time_ns)
        addresses = [0] * (NOTHING + 1)
        for name, column in inputs.columns.items():
            k = _INDEX[name]
            if few:
                self._few[k, :n] = column
            addresses[k] = self._few_at + k * self._few.strides[0] if few else _address(column)
        step["columns"] = addresses

    def _keep(self, name: str, array: Any) -> None:
        self._kept[name] = array
        self._step[name] = _address(array)


_INDEX: Final = {name: k for k, name in enumerate((*CHANNELS, "nothing"))}


def _address(array: Any) -> int:
    return int(array.ctypes.data)


def _offset(part: str, field: str = "") -> int:
    """Return where a part of the state, or a field of it, begins in a hammer's record, bytes."""
    fields: Any = STATE.fields
    offset: int = fields[part][1]
    return offset + (STATE[part].fields[field][1] if field else 0)  # type: ignore[index]
