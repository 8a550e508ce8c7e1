"""The detection pipeline: one step takes a batch of rows and events and returns findings and the next state.

It knows no clock, disk or socket, nor whether the rows are live or recorded. A step changes nothing by itself; `commit`
makes its result the current state. So a step can be stored durably first, or be discarded as a look-ahead. In memory
each hammer's state is packed.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

import numpy as np

from strikewatch.core.batch import NO_ROWS, Batch, Key, Rows
from strikewatch.core.finding import Finding
from strikewatch.core.instant import Instant
from strikewatch.detectors import coverage, firing, signal_lost
from strikewatch.detectors.kernels import MEASURED
from strikewatch.detectors.registry import DETECTOR_OF, DETECTORS
from strikewatch.engine import grouping
from strikewatch.engine.attribution import OPERATORS, TOOLS, Attribution
from strikewatch.engine.compiled_step import CompiledStep, ImpossibleValuesError
from strikewatch.engine.inputs import Inputs, inputs_of, spans_and_events, without_impossible
from strikewatch.engine.packed_state import NOT_SEEN, Workspace, integer, pack, position, saved_bytes, unpack
from strikewatch.engine.profiles import HammerSettings, Profile, Profiles
from strikewatch.engine.state import STATE, restored
from strikewatch.engine.step_result import StepResult, findings_of

__all__ = ["HammerSettings", "Pipeline"]

UNPACKED_AT_ONCE: Final = 128
"""The states of so many hammers stay in the processor's cache."""
_UPTO: Final = position("reading", "upto")
_LAST_ROW: Final = position(signal_lost.DETECTOR.name, "last_row")
_MEASURING: Final = {detector.name: k for k, detector in enumerate(DETECTORS) if detector.measures}
_ORDINALS: Final = np.arange(len(DETECTORS))
_MEASURED_FROM: Final = 2 * len(DETECTORS)
_PLACES: Final = np.where(
    np.arange(MEASURED + 1)[:, None] == MEASURED,
    _MEASURED_FROM + _ORDINALS,
    grouping.IS_CAUSE * len(DETECTORS) + _ORDINALS,
)
"""Where findings of a step of a fault (row) and a detector (column) go: findings, then those to be grouped, then
measurements, each in the order of the detectors."""
_BOUNDS: Final = np.array(
    [
        len(DETECTORS),
        _MEASURED_FROM,
        *(_MEASURED_FROM + k + end for k in _MEASURING.values() for end in (0, 1)),
    ]
)
"""Places at which another kind begins, or the measurements of a detector begin and end."""


class Pipeline:
    """The detectors' state of every hammer seen, and the step that advances it.

    `settings_of` returns a hammer's settings; it is called once per hammer. `compiled`: for tests.
    """

    def __init__(
        self, settings_of: Callable[[Key], HammerSettings], compiled: CompiledStep | None = None
    ) -> None:
        self._compiled = compiled or CompiledStep()
        self._profiles = Profiles(settings_of, self._compiled.set_params)
        self._workspace = Workspace(UNPACKED_AT_ONCE)
        self._packed: dict[Key, bytes] = {}
        """The state of each hammer seen."""

    @property
    def hammers(self) -> tuple[Key, ...]:
        """All hammers seen, in the order of their first step."""
        return tuple(self._packed)

    def watermark(self, key: Key) -> Instant:
        """Return the watermark of a hammer: its rows are complete up to there. NEVER if it was not seen."""
        return integer(self._packed.get(key, NOT_SEEN), _UPTO)

    def unmonitored_faults(self, key: Key) -> list[tuple[str, str]]:
        """Return (fault, reason) for each fault that this hammer's feed or profile cannot show."""
        return list(coverage.unmonitored_faults(self.settings(key), coverage.channels_of(self.state_of(key))))

    def inferred_faults(self, key: Key) -> list[tuple[str, str]]:
        """Return (fault, reason) for each fault that this hammer's feed or profile shows only indirectly."""
        return list(coverage.inferred_faults(self.settings(key), coverage.channels_of(self.state_of(key))))

    def firing_ns(self, key: Key) -> int:
        """Return the total firing time of a hammer, ns."""
        return firing.fired_ns(unpack([self._packed.get(key, NOT_SEEN)])[0]["reading"])

    def horizon(self, key: Key, fault: str | None = None) -> int:
        """Return how long after its last row a hammer may still have a finding without another row or event, ns.

        `fault`: only findings of this one, if a detector has it. Findings that depend on the calendar alone can come
        later: see `next_deadline`.
        """
        horizons = self._profile(key).horizons
        detector = DETECTOR_OF.get(fault) if fault else None
        return max(horizons.values()) if detector is None else horizons[detector]

    def next_deadline(self, result: StepResult, key: Key) -> Instant:
        """Return the next instant after a step at which the calendar alone causes a finding of a hammer."""
        record = result.state_of(key)
        slot = self._profile(key).slot
        return min(d.due(record[d.name], self._profiles.params[d.name][slot]) for d in DETECTORS)

    def declare_channels(self, key: Key, channels: Iterable[str], without: Iterable[str] = ()) -> None:
        """Declare the channels of a hammer's feed in advance, as a recording can and a stream cannot.

        `without`: channels that are no longer there, where a recording of another feed begins.
        """
        state = self._unpacked(key)
        record = state[0]
        for part in STATE.names or ():
            for names, has in ((without, 0), (channels, 1)):
                for channel in names:
                    if f"has_{channel}" in (record.dtype[part].names or ()):
                        record[part][f"has_{channel}"] = has
        self._packed[key] = pack(state)

    def configure(self, key: Key, settings: HammerSettings) -> None:
        """Change the settings of a hammer; its state stays."""
        self._packed.setdefault(key, NOT_SEEN)
        self._profiles.configure(key, settings)

    def settings(self, key: Key) -> HammerSettings:
        """Return the settings in force for a hammer."""
        return self._profile(key).settings

    def restore(self, key: Key, layout: str, state: bytes) -> list[str]:
        """Restore a hammer's saved state; return the names of the parts that cannot be read and start from zero."""
        record, unreadable = restored(layout, state)
        self._packed[key] = pack(record)
        return unreadable

    def overlook_silence(self, key: Key, until: Instant) -> None:
        """Let the silence of a hammer that is under way count from `until` on only, for `signal_lost`."""
        state = self._unpacked(key)
        signal_lost.overlook_silence(state[0][signal_lost.DETECTOR.name], until)
        self._packed[key] = pack(state)

    def silent_since(self, key: Key) -> Instant:
        """Return when the silence of a hammer began that counts: its newest row, or later; NEVER if it has none."""
        return integer(self._packed.get(key, NOT_SEEN), _LAST_ROW)

    def state_of(self, key: Key) -> Any:
        """Return a copy of a hammer's current record of `STATE`."""
        return self._unpacked(key)[0]

    def packed(self, key: Key) -> bytes:
        """Return a hammer's current state, packed (see `packed_state`)."""
        return self._packed.setdefault(key, NOT_SEEN)

    def saved(self, key: Key) -> bytes:
        """Return a hammer's current state as bytes of `LAYOUT`."""
        return saved_bytes(self.packed(key))

    def step(self, batch: Batch, *, report: bool = False) -> StepResult:
        """Run the detectors over a batch.

        `report`: also report the faults active at the watermark with their evidence up to there, and apply grease
        events that still wait for a row.
        """
        portions = batch.portions
        if len(portions) <= UNPACKED_AT_ONCE:
            return self._step(batch, report)
        starts = range(0, len(portions), UNPACKED_AT_ONCE)
        return StepResult.join(
            [self._step(Batch(portions[k : k + UNPACKED_AT_ONCE]), report) for k in starts]
        )

    def _step(self, batch: Batch, report: bool) -> StepResult:
        """Run the detectors over a batch of not too many hammers."""
        portions = batch.portions
        keys = tuple(portion.key for portion in portions)
        slots = [self._profiles[key].slot for key in keys]
        rows = Rows.join([portion.rows for portion in portions]) if portions else NO_ROWS
        spans, events = spans_and_events(batch, slots)
        inputs = inputs_of(rows, events)
        packed = [self.packed(key) for key in keys]
        state = self._workspace.unpack(packed)
        not_found_before = _not_found(state) if len(events) else None
        try:
            found, grouped, measurements = self._detect(inputs, spans, state, report=report)
        except ImpossibleValuesError:
            state = self._workspace.unpack(packed)
            found, grouped, measurements = self._detect(
                without_impossible(inputs), spans, state, report=report
            )
        attributions = self._attributions(batch, state)
        self._save_attributions(attributions, batch, slots, state)
        for g in set(found["group"].tolist()) - attributions.keys():  # to be attributed while unpacked
            attributions[g] = Attribution(state[g])
        combined = self._combined(grouped, keys, slots, state) if len(grouped) else []
        not_found: tuple[Key, ...] = ()
        if not_found_before is not None:
            not_found = tuple(keys[g] for g in np.flatnonzero(_not_found(state) > not_found_before))
        return StepResult(
            keys, self._workspace.pack(state), found, combined, measurements, attributions, not_found
        )

    def _detect(
        self, inputs: Inputs, spans: Any, state: Any, *, report: bool
    ) -> tuple[Any, Any, dict[str, Any]]:
        """Run all detectors, which advances `state` (STATE [groups]); return what they found (FINDING [n]).

        These are findings, findings to be grouped, and measurements by detector; each in order of the detectors, then
        of the hammers, then as they were found.
        """
        found = self._compiled.run(inputs, spans, state, report=report)
        if not len(found):
            return found, found, dict.fromkeys(_MEASURING, found)
        places = _PLACES[found["step"], found["detector"]] * len(spans) + found["group"]
        order = places.argsort(kind="stable")
        in_order = found.take(order)  # ten times as fast as found[order]
        grouped, measured, *bounds = places.searchsorted(_BOUNDS * len(spans), sorter=order).tolist()
        parts = zip(_MEASURING, bounds[::2], bounds[1::2], strict=True)
        measurements = {name: in_order[start:end] for name, start, end in parts}
        return in_order[:grouped], in_order[grouped:measured], measurements

    @staticmethod
    def _attributions(batch: Batch, state: Any) -> dict[int, Attribution]:
        """Look up operators and tools of the hammers with events, or with more than one of either in their state."""
        several = (state[OPERATORS.name]["n"] > 1) | (state[TOOLS.name]["n"] > 1)
        found = {g: Attribution(state[g]) for g, more in enumerate(several.tolist()) if more}
        for g, portion in enumerate(batch.portions):
            if portion.events:
                found.setdefault(g, Attribution(state[g])).apply(portion.events)
        return found

    def _save_attributions(
        self, attributions: Mapping[int, Attribution], batch: Batch, slots: Sequence[int], state: Any
    ) -> None:
        """Write to the state what later steps may ask for of these hammers' operators and tools."""
        for g, attribution in attributions.items():
            watermark = batch.portions[g].watermark
            onsets: list[Instant] = []
            starts: list[Instant] = []
            for detector in DETECTORS:
                arguments = state[g][detector.name], self._profiles.params[detector.name][slots[g]], watermark
                onsets += detector.pending(*arguments)
                starts += detector.under_way(*arguments)
            attribution.save_to(state[g], onsets, starts, watermark)

    def _combined(self, found: Any, keys: tuple[Key, ...], slots: Sequence[int], state: Any) -> list[Finding]:
        """Combine the findings about each hammer's position (records of FINDING) into those of one grouped alert."""
        by_hammer: dict[Key, list[Finding]] = {}
        for finding in findings_of(found, keys):
            by_hammer.setdefault(finding.key, []).append(finding)
        combined: list[Finding] = []
        for key, own in by_hammer.items():
            g = keys.index(key)
            pauses = [int(self._profiles.params[cause.name][slots[g]]["pause"]) for cause in grouping.CAUSES]
            combined += grouping.group(state[g][grouping.NAME], own, pauses)
        return combined

    def commit(self, result: StepResult) -> None:
        """Make the state after a step the current one."""
        self._packed.update(zip(result.keys, result.packed, strict=True))

    def _unpacked(self, key: Key) -> Any:
        """Return a copy of a hammer's current state: STATE [1]."""
        return unpack([self.packed(key)])

    def _profile(self, key: Key) -> Profile:
        """Return the profile of a hammer, which from now on has been seen."""
        self._packed.setdefault(key, NOT_SEEN)
        return self._profiles[key]


def _not_found(state: Any) -> Any:
    """Count, per hammer, the corrections so far of events that are no longer kept."""
    return sum(state[d.name]["not_found"] for d in DETECTORS if "not_found" in (d.state.names or ()))
