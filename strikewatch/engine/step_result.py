"""The result of one step of the pipeline: findings, the next state, and what was measured on the way."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from operator import attrgetter
from typing import Any, Final, Self

import numpy as np

from strikewatch.core.alert import PRIORITIES
from strikewatch.core.batch import Ints, Key
from strikewatch.core.bout import AttributedBout, Bout
from strikewatch.core.finding import Finding, FindingStep
from strikewatch.core.instant import Instant
from strikewatch.core.stretch import AttributedStretch, Stretch
from strikewatch.detectors import exposure
from strikewatch.detectors.base import Detector
from strikewatch.detectors.blank_firing import blank_firing
from strikewatch.detectors.kernels import EVIDENCE, FINDING
from strikewatch.detectors.registry import DETECTORS
from strikewatch.engine.attribution import Attribution
from strikewatch.engine.packed_state import saved_bytes, unpack

_SPAN_FIELDS = 3
"""Bout and Stretch begin with the hammer, the start and the end; what is measured follows."""
_STEPS: Final[tuple[FindingStep, ...]] = ("raised", "escalated", "cleared", "standing")


@dataclass(frozen=True)
class StepResult:
    """What a step found, and the states of its hammers after it, packed (one a portion).

    `found`: records of `FINDING`; `combined`: the findings about a hammer's position, as one grouped alert; `findings`
    has both. `measurements`: what was measured of bouts and stretches of work, by detector, as records of `FINDING`.
    `attributions`: by index into `keys`, of the hammers with findings, and of those whose state alone does not show who
    was on duty at each onset; the others are added when they are first needed.
    `not_found`: hammers with a correction of an event that is no longer kept or never arrived; a timer may still count
    the event that was to be corrected.
    """

    keys: tuple[Key, ...]
    packed: Sequence[bytes]
    found: Any
    combined: list[Finding]
    measurements: Mapping[str, Any]
    attributions: dict[int, Attribution]
    not_found: tuple[Key, ...] = ()

    @cached_property
    def findings(self) -> list[Finding]:
        """All findings, in the order in which they became true. They are made when first needed."""
        return sorted([*findings_of(self.found, self.keys), *self.combined], key=attrgetter("at"))

    @classmethod
    def join(cls, results: "Sequence[StepResult]") -> "StepResult":
        """Return the results of different hammers as one."""
        firsts = np.cumsum([0, *(len(result.keys) for result in results)]).tolist()

        def joined(parts: Sequence[Any]) -> Any:
            for first, part in zip(firsts, parts, strict=False):
                part["group"] += first
            return np.concatenate([part for part in parts if len(part)] or parts[:1])

        found = joined([result.found for result in results])
        return cls(
            tuple(key for result in results for key in result.keys),
            [state for result in results for state in result.packed],
            found.take(np.argsort(found["detector"], kind="stable")),
            [finding for result in results for finding in result.combined],
            {
                name: joined([result.measurements[name] for result in results])
                for name in results[0].measurements
            },
            {
                first + group: attribution
                for first, result in zip(firsts, results, strict=False)
                for group, attribution in result.attributions.items()
            },
            tuple(key for result in results for key in result.not_found),
        )

    @property
    def state(self) -> Any:
        """The states of the hammers, unpacked: STATE [n], for each use anew."""
        return unpack(self.packed)

    def state_of(self, key: Key) -> Any:
        """Return the state of a hammer after the step: a record of STATE."""
        return unpack([self.packed[self.keys.index(key)]])[0]

    def without_findings(self) -> Self:
        """Return only what was measured, to be kept after the findings have been used."""
        return replace(self, found=self.found[:0], combined=[])

    def without_measurements(self) -> Self:
        """Return only what was found, likewise."""
        empty = {name: measured[:0] for name, measured in self.measurements.items()}
        return replace(self, found=self.found.copy(), measurements=empty)

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

    def operators_and_tools(self, key: Key, starts: Ints) -> tuple[list[str | None], list[str | None]]:
        """Return who was signed on to a hammer, and which tool was fitted, at the starts [n] of its bouts."""
        return self._attribution(self.keys.index(key)).at_each(starts)

    def stretches(self) -> Iterator[AttributedStretch]:
        """Yield the stretches of work that have ended (with `report`, those under way too), with operator and tool."""
        numbers = len(Stretch._fields) - _SPAN_FIELDS
        for group, start, end, measured, operator, tool in self._measured(exposure.DETECTOR, numbers):
            yield AttributedStretch(Stretch(self.keys[group], start, end, *measured), operator, tool)

    def saved(self) -> dict[Key, bytes]:
        """Return each hammer's state as bytes of `LAYOUT`."""
        return {key: saved_bytes(packed) for key, packed in zip(self.keys, self.packed, strict=True)}

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
            attribution = self.attributions[group] = Attribution(unpack([self.packed[group]])[0])
        return attribution


def findings_of(found: Any, keys: Sequence[Key]) -> list[Finding]:
    """Convert records of FINDING to findings; `keys`: of the groups."""
    if not len(found):
        return []
    # All fields have 8 bytes. Plain columns become Python numbers far faster than records do.
    table = found.view(np.int64).reshape(len(found), FINDING.itemsize // 8)
    heads = table[:, :-EVIDENCE].tolist()
    numbers = table[:, -EVIDENCE:].view(np.float64).tolist()
    return [
        Finding(keys[g], DETECTORS[d].faults[k], _STEPS[step], onset, at, PRIORITIES[p], tuple(own))
        for (g, d, k, step, onset, at, p), own in zip(heads, numbers, strict=True)
    ]
