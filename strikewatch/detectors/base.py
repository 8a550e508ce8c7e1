"""What a detector is: its faults, its settings, the layout of its state, and its kernel."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, ClassVar, Final, NamedTuple, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, model_validator

from strikewatch.core.channels import CHANNELS
from strikewatch.core.finding import Fault
from strikewatch.core.instant import SECOND, Instant
from strikewatch.detectors.kernels import NEVER

FIRING: Final = ("active", "pressure_bar")
"""Channels that show whether the hammer fires."""
FIRES_ON: Final = max(CHANNELS[name].hold_ns for name in FIRING) + 1
"""A hammer is known to fire for less than this after its last row, ns."""
FOREVER: Final = -NEVER


class DetectorSettings(BaseModel):
    """Settings of one detector: frozen, without unknown keys. They are its whole configuration."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    rising: ClassVar[tuple[str, ...]] = ()
    """Names of settings none of which may be below the one before."""

    @model_validator(mode="after")
    def _rise(self) -> Self:
        for lower, upper in pairwise(self.rising):
            if getattr(self, lower) > getattr(self, upper):
                raise ValueError(f"{lower} must not be above {upper}")
        return self

    def silenced(self) -> str | None:
        """Return in words why nothing can be found with these settings; None where it can."""
        return None


def seconds(value_ns: float) -> float:
    """Convert ns to seconds, to the microsecond."""
    return round(value_ns / 1000) / 1e6


def hours(value_ns: float) -> float:
    """Convert ns to hours, to 0.0001 h."""
    return round(value_ns / SECOND / 0.36) / 10_000


def whole(value: float) -> int:
    """Round to an integer."""
    return round(value)


def tenth(value: float) -> float:
    """Round to one decimal."""
    return round(value * 10) / 10


def hundredth(value: float) -> float:
    """Round to two decimals."""
    return round(value * 100) / 100


class Older(NamedTuple):
    """An earlier layout of a detector's state.

    `carry_over`: from a record of it to the fields of the current layout; the others start fresh.
    """

    layout: np.dtype[Any]
    carry_over: Callable[[Any], Mapping[str, Any]]


def fields_of(record: Any) -> dict[str, Any]:
    """Return the fields of a record by name, to carry them over to a later layout."""
    return {name: record[name] for name in record.dtype.names}


@dataclass(frozen=True, slots=True)
class Detector:
    """One detector.

    Attributes:
        state: dtype of one hammer's record; `version` is the version of its layout, `fresh` has the fields that do not
            start at zero, and `older` the layouts of earlier versions that can still be read.
        params: converts the settings to one record of `params_dtype`, times in integer nanoseconds.
        run: takes a tile, `run(tile, state, params, rows, *columns, out)`; see `tiles`. With `tile.report`, it also
            writes the faults active at the watermark, with their evidence up to there.
        quiet: tells whether nothing can happen in a tile, `quiet(tile, state, params, rows, *columns)`, and then leaves
            the state that `run` would leave. None: `run` takes every tile.
        reads: the channels whose columns they take.
        measures: whether it also measures each bout or stretch of work (MEASURED).
        needs: groups of channels; without one of each group in the feed it can find nothing.
        horizon: from the settings, how long after a hammer's last row a finding may become known without another row
            or event, ns.
        due: the next instant at which the calendar alone brings a finding; FOREVER if there is none.
        pending: the instants up to the watermark that may later turn out to be the onset of a finding. Later instants
            are left out by the caller; onsets in the last 0.6 s (`engine.attribution.BURST_WINDOW`) need not be given.
        under_way: likewise those that may be the start of a measurement.
    """

    name: str
    version: int
    faults: tuple[Fault, ...]
    settings: type[DetectorSettings]
    state: np.dtype[Any]
    params_dtype: np.dtype[Any]
    params: Callable[[Any], tuple[Any, ...]]
    run: Callable[..., None]
    quiet: Callable[..., bool] | None = None
    reads: tuple[str, ...] = ()
    fresh: Mapping[str, Any] = field(default_factory=dict)
    older: Mapping[int, Older] = field(default_factory=dict)
    measures: bool = False
    needs: tuple[tuple[str, ...], ...] = ()
    horizon: Callable[[Any], int] = lambda _settings: FIRES_ON
    due: Callable[[Any, Any], Instant] = lambda _state, _params: FOREVER
    pending: Callable[[Any, Any, Instant], Iterable[Instant]] = lambda _state, _params, _upto: ()
    under_way: Callable[[Any, Any, Instant], Iterable[Instant]] = lambda _state, _params, _upto: ()

    def compile(self) -> int:
        """Compile the detector, or load it from the cache; return its address (see `compiled.step`)."""
        from strikewatch.detectors.compiled import compiler

        return compiler.compile_detector(self)
