"""The result of one step of the pipeline: findings, the next state, and what was measured on the way."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from strikewatch.core.batch import Key
from strikewatch.core.bout import AttributedBout, Bout
from strikewatch.core.finding import Finding
from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch, Stretch
from strikewatch.detectors import exposure
from strikewatch.detectors.base import Detector
from strikewatch.detectors.blank_firing import blank_firing
from strikewatch.engine.attribution import Attribution

_SPAN_FIELDS = 3
"""Bout and Stretch begin with the hammer, the start and the end; what is measured follows."""


@dataclass(frozen=True, slots=True)
class StepResult:
    """What a step found, and the state of its hammers after it (records of `STATE`, one a portion).

    `measurements`: what was measured of bouts and stretches of work, by detector, as records of `FINDING`.
    `attributions`: by index into `keys`, of the hammers whose state alone does not show who was on duty at each onset;
    the others are added when they are first needed.
    `not_found`: hammers with a correction of an event that is no longer kept or never arrived; a timer may still count
    the event that was to be corrected.
    """

    keys: tuple[Key, ...]
    slots: Any
    state: Any
    findings: list[Finding]
    measurements: Mapping[str, Any]
    attributions: dict[int, Attribution]
    not_found: tuple[Key, ...] = ()

    def on_duty(self, key: Key, instant: Instant) -> str | None:
        """Return who was signed on to a hammer of this step at the onset of one of its findings, or later."""
        return self._attribution(self.keys.index(key)).on_duty(instant)

    def bouts(self) -> Iterator[AttributedBout]:
        """Yield the bouts that have ended (with `report`, those under way too), with operator and tool."""
        numbers = len(Bout._fields) - _SPAN_FIELDS
        for group, start, end, measured, operator, tool in self._measured(blank_firing.DETECTOR, numbers):
            yield AttributedBout(Bout(self.keys[group], start, end, *measured), operator, tool)

    def bout_columns(self, *names: str) -> Iterator[tuple[Key, Any, Any, list[Any]]]:
        """Yield the same bouts as columns, one hammer at a time: (hammer, starts [n] ns, ends [n] ns, values).

        `values`: an array [n] for each of `names`, which are fields of `Bout` after `end`.
        """
        measured = self.measurements[blank_firing.DETECTOR.name]
        columns = [Bout._fields.index(name) - _SPAN_FIELDS for name in names]
        for group in np.unique(measured["group"]).tolist():
            bouts = measured[measured["group"] == group]
            yield self.keys[group], bouts["onset"], bouts["at"], [bouts["evidence"][:, k] for k in columns]

    def stretches(self) -> Iterator[AttributedStretch]:
        """Yield the stretches of work that have ended (with `report`, those under way too), with operator and tool."""
        numbers = len(Stretch._fields) - _SPAN_FIELDS
        for group, start, end, measured, operator, tool in self._measured(exposure.DETECTOR, numbers):
            yield AttributedStretch(Stretch(self.keys[group], start, end, *measured), operator, tool)

    def saved(self) -> dict[Key, bytes]:
        """Return each hammer's state as bytes of `LAYOUT`."""
        return {key: self.state[g : g + 1].tobytes() for g, key in enumerate(self.keys)}

    def _measured(self, detector: Detector, numbers: int) -> Iterator[Any]:
        """Yield (group, start, end, numbers, operator, tool) for each measurement of a detector, of so many numbers."""
        measured = self.measurements[detector.name]
        # Plain columns become Python numbers far faster than records do.
        columns = [measured[name].tolist() for name in ("group", "onset", "at")]
        values = measured["evidence"][:, :numbers].tolist()
        attributions = {group: self._attribution(group) for group in set(columns[0])}
        for group, start, end, own in zip(*columns, values, strict=True):
            attribution = attributions[group]
            yield group, start, end, own, attribution.on_duty(start), attribution.tool_at(start)

    def _attribution(self, group: int) -> Attribution:
        attribution = self.attributions.get(group)
        if attribution is None:
            attribution = self.attributions[group] = Attribution(self.state[group])
        return attribution
