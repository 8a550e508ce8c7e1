"""What a detector is: its faults, its settings, the layout of its state, and its kernel."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict

from strikewatch.model.finding import Fault
from strikewatch.model.instant import SECOND


class DetectorSettings(BaseModel):
    """Settings of one detector: closed and frozen; they are its whole configuration."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def seconds(value_ns: float) -> float:
    return round(value_ns / SECOND, 6)


def hours(value_ns: float) -> float:
    return round(value_ns / SECOND / 3600, 4)


def tenth(value: float) -> float:
    return round(value, 1)


def hundredth(value: float) -> float:
    return round(value, 2)


@dataclass(frozen=True, slots=True)
class Detector:
    """One detector, whole.

    `state` is the dtype of one hammer's record and `version` its layout's; `fresh` gives the fields that do not start
    at zero. `params` turns the settings into one record of `params_dtype`, in integer nanoseconds. `reads` names the
    inputs handed to `run` after the common ones: channels, or `events`, `bad`, `good`.

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
