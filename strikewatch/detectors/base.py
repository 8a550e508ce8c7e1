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
from strikewatch.detectors.kernels import (
    CHANNEL_BITS,
    EVENT,
    FINDING,
    NEVER,
    SPAN,
    compile_kernel,
    read_only,
)

NO_BITS: Final = np.empty(0, CHANNEL_BITS)
FIRING: Final = ("active", "pressure_bar")
"""Channels that tell whether the hammer fires."""
FIRES_ON: Final = max(CHANNELS[name].hold_ns for name in FIRING) + 1
"""After its last row a hammer is known to fire for less than this, ns."""
FOREVER: Final = -NEVER


class DetectorSettings(BaseModel):
    """Settings of one detector: closed and frozen; they are its whole configuration."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    rising: ClassVar[tuple[str, ...]] = ()
    """Settings of which none may be below the one before."""

    @model_validator(mode="after")
    def _rise(self) -> Self:
        for lower, upper in pairwise(self.rising):
            if getattr(self, lower) > getattr(self, upper):
                raise ValueError(f"{lower} must not be above {upper}")
        return self

    def silenced(self) -> str | None:
        """Why nothing can be found with these settings, in words; None where it can."""
        return None


def seconds(value_ns: float) -> float:
    return round(value_ns / 1000) / 1e6


def hours(value_ns: float) -> float:
    return round(value_ns / SECOND / 0.36) / 10_000


def whole(value: float) -> int:
    return round(value)


def tenth(value: float) -> float:
    return round(value * 10) / 10


def hundredth(value: float) -> float:
    return round(value * 100) / 100


class Older(NamedTuple):
    """An earlier layout of a detector's state, and the fields that its record gives to the present one."""

    layout: np.dtype[Any]
    carry_over: Callable[[Any], Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Detector:
    """One detector, whole.

    `state` is the dtype of one hammer's record and `version` its layout's; `fresh` gives the fields that do not start
    at zero; `older` has the layouts of earlier versions that can still be read. `params` turns the settings into one
    record of `params_dtype`, in integer nanoseconds. `reads` names the inputs handed to `run` after the common ones:
    channels, or `events`, `bad`, `good`.

    `notes`: whether it also writes down what it measured of each bout. `needs`: groups of channels; without one of each
    group in the feed the detector is silent.

    `horizon(settings)`: for how long after a hammer's last row a finding may become known without another row or event,
    ns. Where the calendar alone brings one later, `due(state, params)` gives the next such instant.

    `pending(state, params, upto)` gives the instants at or before the watermark that may later turn out to be the onset
    of a finding, `under_way` those that may be the start of something noted. Later instants are left out by the caller,
    and onsets in the last 0.6 s (`engine.attribution.BURST_WINDOW`) need not be given.

    run(report, spans, time_ns, fire_until, state, params, *reads, out) -> number of findings written to `out`.
    With `report` set, faults that stand at the watermark are written too, with their evidence up to there.
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
    notes: bool = False
    needs: tuple[tuple[str, ...], ...] = ()
    horizon: Callable[[Any], int] = lambda _settings: FIRES_ON
    due: Callable[[Any, Any], Instant] = lambda _state, _params: FOREVER
    pending: Callable[[Any, Any, Instant], Iterable[Instant]] = lambda _state, _params, _upto: ()
    under_way: Callable[[Any, Any, Instant], Iterable[Instant]] = lambda _state, _params, _upto: ()

    def compile(self) -> None:
        """Have the kernel compiled, or taken from an earlier start."""
        nothing: dict[str, Any] = {"events": np.empty(0, EVENT), "bad": NO_BITS, "good": NO_BITS}
        compile_kernel(
            self.run,
            False,
            np.empty(0, SPAN),
            read_only(np.empty(0, np.int64)),
            np.empty(0, np.int64),
            np.empty(2, [("one", self.state), ("other", "<i8")])["one"],
            np.empty(0, self.params_dtype),
            *(read_only(nothing.get(name, np.empty(0))) for name in self.reads),
            np.empty(0, FINDING),
        )
