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
from strikewatch.detectors.kernels import CHANNEL_BITS, EVENT, FINDING, NEVER, SPAN, compile_kernel, read_only

NO_BITS: Final = np.empty(0, CHANNEL_BITS)
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
        run: the kernel, `run(report, spans, time_ns, firing_ends, states, all_params, *reads, findings)`. It writes to
            `findings` and returns their number. With `report`, also the faults active at the watermark, with their
            evidence up to there.
        reads: the inputs that the kernel takes: channels, or `events`, `bad`, `good`.
        measures: whether it also measures each bout or stretch of work (MEASURED).
        slow_to_compile: whether it takes about as long to compile as all quick detectors together.
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
    run: Callable[..., int]
    reads: tuple[str, ...] = ()
    fresh: Mapping[str, Any] = field(default_factory=dict)
    older: Mapping[int, Older] = field(default_factory=dict)
    measures: bool = False
    slow_to_compile: bool = False
    needs: tuple[tuple[str, ...], ...] = ()
    horizon: Callable[[Any], int] = lambda _settings: FIRES_ON
    due: Callable[[Any, Any], Instant] = lambda _state, _params: FOREVER
    pending: Callable[[Any, Any, Instant], Iterable[Instant]] = lambda _state, _params, _upto: ()
    under_way: Callable[[Any, Any, Instant], Iterable[Instant]] = lambda _state, _params, _upto: ()

    def compile(self) -> None:
        """Compile the kernel, or load it from the cache."""
        nothing: dict[str, Any] = {"events": np.empty(0, EVENT), "bad": NO_BITS, "good": NO_BITS}
        compile_kernel(
            self.run,
            False,
            np.empty(0, SPAN),
            read_only(np.empty(0, np.int64)),
            np.empty(0, np.int64),
            np.empty(2, [("state", self.state), ("padding", "<i8")])["state"],
            np.empty(0, self.params_dtype),
            *(read_only(nothing.get(name, np.empty(0))) for name in self.reads),
            np.empty(0, FINDING),
        )
