"""The detection pipeline: one step takes a batch of rows and events and returns findings and the next state.

It knows no clock, disk or socket, nor whether the rows are live or recorded. A step changes nothing by itself; `commit`
makes its result the current state. So a step can be stored durably first, or be discarded as a look-ahead.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

import numpy as np

from strikewatch.core.batch import NO_ROWS, Batch, Key, Rows
from strikewatch.core.finding import Finding
from strikewatch.core.instant import Instant
from strikewatch.detectors import coverage, firing, pose, signal_lost
from strikewatch.detectors.base import DetectorSettings
from strikewatch.detectors.kernels import MEASURED, NEVER
from strikewatch.detectors.registry import DETECTOR_OF, DETECTORS
from strikewatch.engine import grouping
from strikewatch.engine.attribution import OPERATORS, TOOLS, Attribution
from strikewatch.engine.compiled_step import CompiledStep, ImpossibleValuesError
from strikewatch.engine.inputs import Inputs, inputs_of, spans_and_events, without_impossible
from strikewatch.engine.state import RAW, STATE, fresh, restored
from strikewatch.engine.step_result import StepResult, findings_of

HammerSettings = Mapping[str, DetectorSettings]
"""The settings of one hammer: by detector name, `firing` for the firing signal, and `pose` for the carrier's arm."""

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
        self._settings_of = settings_of
        self._slots: dict[Key, int] = {}
        self._settings: dict[Key, HammerSettings] = {}
        self._raw = np.zeros(0, RAW)
        self._state = self._raw.view(STATE)
        self._params: dict[str, Any] = {
            "firing": np.zeros(0, firing.PARAMS),
            pose.NAME: np.zeros(0, pose.PARAMS),
            **{d.name: np.zeros(0, d.params_dtype) for d in DETECTORS},
        }
        self._horizons: dict[Key, dict[str, int]] = {}
        """By hammer and detector, ns."""

    @property
    def hammers(self) -> tuple[Key, ...]:
        """All hammers seen, in the order of their first step."""
        return tuple(self._slots)

    def watermark(self, key: Key) -> Instant:
        """Return the watermark of a hammer: its rows are complete up to there. NEVER if it was not seen."""
        slot = self._slots.get(key)
        return NEVER if slot is None else int(self._state[slot]["reading"]["upto"])

    def unmonitored_faults(self, key: Key) -> list[tuple[str, str]]:
        """Return (fault, reason) for each fault that this hammer's feed or profile cannot show."""
        record = self._state[self._slot(key)]
        return list(coverage.unmonitored_faults(self._settings[key], coverage.channels_of(record)))

    def inferred_faults(self, key: Key) -> list[tuple[str, str]]:
        """Return (fault, reason) for each fault that this hammer's feed or profile shows only indirectly."""
        record = self._state[self._slot(key)]
        return list(coverage.inferred_faults(self._settings[key], coverage.channels_of(record)))

    def firing_ns(self, key: Key) -> int:
        """Return the total firing time of a hammer, ns."""
        slot = self._slots.get(key)
        return 0 if slot is None else firing.fired_ns(self._state[slot]["reading"])

    def horizon(self, key: Key, fault: str | None = None) -> int:
        """Return how long after its last row a hammer may still have a finding without another row or event, ns.

        `fault`: only findings of this one, if a detector has it. Findings that depend on the calendar alone can come
        later: see `next_deadline`.
        """
        self._slot(key)
        horizons = self._horizons[key]
        detector = DETECTOR_OF.get(fault) if fault else None
        return max(horizons.values()) if detector is None else horizons[detector]

    def next_deadline(self, result: StepResult, key: Key) -> Instant:
        """Return the next instant after a step at which the calendar alone causes a finding of a hammer."""
        record = result.state[result.keys.index(key)]
        slot = self._slot(key)
        return min(d.due(record[d.name], self._params[d.name][slot]) for d in DETECTORS)

    def declare_channels(self, key: Key, channels: Iterable[str], without: Iterable[str] = ()) -> None:
        """Declare the channels of a hammer's feed in advance, as a recording can and a stream cannot.

        `without`: channels that are no longer there, where a recording of another feed begins.
        """
        slot = self._slot(key)
        record = self._state[slot]
        for part in STATE.names or ():
            for names, has in ((without, 0), (channels, 1)):
                for channel in names:
                    if f"has_{channel}" in (record.dtype[part].names or ()):
                        record[part][f"has_{channel}"] = has

    def configure(self, key: Key, settings: HammerSettings) -> None:
        """Change the settings of a hammer; its state stays."""
        self._slot(key)
        self._settings[key] = settings
        self._set_params(key, settings)

    def settings(self, key: Key) -> HammerSettings:
        """Return the settings in force for a hammer."""
        self._slot(key)
        return self._settings[key]

    def restore(self, key: Key, layout: str, state: bytes) -> list[str]:
        """Restore a hammer's saved state; return the names of the parts that cannot be read and start from zero."""
        record, unreadable = restored(layout, state)
        slot = self._slot(key)
        self._raw[slot] = record.view(RAW)[0]
        return unreadable

    def overlook_silence(self, key: Key, until: Instant) -> None:
        """Let the silence of a hammer that is under way count from `until` on only, for `signal_lost`."""
        signal_lost.overlook_silence(self._state[self._slot(key)][signal_lost.DETECTOR.name], until)

    def silent_since(self, key: Key) -> Instant:
        """Return when the silence of a hammer began that counts: its newest row, or later; NEVER if it has none."""
        slot = self._slots.get(key)
        return NEVER if slot is None else int(self._state[slot][signal_lost.DETECTOR.name]["last_row"])

    def state_of(self, key: Key) -> Any:
        """Return a copy of a hammer's current record of `STATE`."""
        slot = self._slot(key)
        return self._state[slot : slot + 1].copy()[0]

    def saved(self, key: Key) -> bytes:
        """Return a hammer's current state as bytes of `LAYOUT`."""
        slot = self._slot(key)
        return self._state[slot : slot + 1].tobytes()

    def step(self, batch: Batch, *, report: bool = False) -> StepResult:
        """Run the detectors over a batch.

        `report`: also report the faults active at the watermark with their evidence up to there, and apply grease
        events that still wait for a row.
        """
        portions = batch.portions
        keys = tuple(portion.key for portion in portions)
        slots = np.array([self._slot(key) for key in keys], np.int64)
        rows = Rows.join([portion.rows for portion in portions]) if portions else NO_ROWS
        spans, events = spans_and_events(batch, slots)
        inputs = inputs_of(rows, events)
        try:
            state, kinds = self._detect(inputs, spans, slots, report=report)
        except ImpossibleValuesError:
            state, kinds = self._detect(without_impossible(inputs), spans, slots, report=report)
        attributions = self._attributions(batch, state)
        self._save_attributions(attributions, batch, slots, state)
        found, grouped, measurements = kinds
        combined = self._combined(grouped, keys, slots, state) if len(grouped) else []
        not_found: tuple[Key, ...] = ()
        if len(events):
            more = _not_found(state) > _not_found(np.frombuffer(self._raw[slots], STATE))
            not_found = tuple(keys[g] for g in np.flatnonzero(more))
        return StepResult(keys, slots, state, found, combined, measurements, attributions, not_found)

    def _detect(self, inputs: Inputs, spans: Any, slots: Any, *, report: bool) -> tuple[Any, tuple[Any, ...]]:
        """Run all detectors; return the new state (STATE [groups]) and what they found (FINDING [n]).

        These are findings, findings to be grouped, and measurements by detector; each in order of the detectors, then
        of the hammers, then as they were found.
        """
        raw = self._raw[slots]
        found = self._compiled.run(inputs, spans, raw, report=report)
        if not len(found):
            return np.frombuffer(raw, STATE), (found, found, dict.fromkeys(_MEASURING, found))
        places = _PLACES[found["step"], found["detector"]] * len(spans) + found["group"]
        order = places.argsort(kind="stable")
        in_order = found.take(order)  # ten times as fast as found[order]
        grouped, measured, *bounds = places.searchsorted(_BOUNDS * len(spans), sorter=order).tolist()
        parts = zip(_MEASURING, bounds[::2], bounds[1::2], strict=True)
        measurements = {name: in_order[start:end] for name, start, end in parts}
        return np.frombuffer(raw, STATE), (in_order[:grouped], in_order[grouped:measured], measurements)

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
        self, attributions: Mapping[int, Attribution], batch: Batch, slots: Any, state: Any
    ) -> None:
        """Write to the state what later steps may ask for of these hammers' operators and tools."""
        for g, attribution in attributions.items():
            watermark = batch.portions[g].watermark
            onsets: list[Instant] = []
            starts: list[Instant] = []
            for detector in DETECTORS:
                arguments = state[g][detector.name], self._params[detector.name][slots[g]], watermark
                onsets += detector.pending(*arguments)
                starts += detector.under_way(*arguments)
            attribution.save_to(state[g], onsets, starts, watermark)

    def _combined(self, found: Any, keys: tuple[Key, ...], slots: Any, state: Any) -> list[Finding]:
        """Combine the findings about each hammer's position (records of FINDING) into those of one grouped alert."""
        by_hammer: dict[Key, list[Finding]] = {}
        for finding in findings_of(found, keys):
            by_hammer.setdefault(finding.key, []).append(finding)
        combined: list[Finding] = []
        for key, own in by_hammer.items():
            g = keys.index(key)
            pauses = [int(self._params[cause.name][slots[g]]["pause"]) for cause in grouping.CAUSES]
            combined += grouping.group(state[g][grouping.NAME], own, pauses)
        return combined

    def commit(self, result: StepResult) -> None:
        """Make the state after a step the current one."""
        self._raw[result.slots] = result.state.view(RAW)

    def _slot(self, key: Key) -> int:
        slot = self._slots.get(key)
        if slot is None:
            slot = self._slots[key] = len(self._slots)
            if slot == len(self._state):
                growth = max(4, slot // 2)
                self._raw = np.concatenate([self._raw, np.repeat(fresh().view(RAW), growth)])
                self._state = self._raw.view(STATE)
                for name, params in self._params.items():
                    self._params[name] = np.zeros(slot + growth, params.dtype)
                    self._params[name][:slot] = params
                self._compiled.set_params(self._params)
            self._settings[key] = self._settings_of(key)
            self._set_params(key, self._settings[key])
        return slot

    def _set_params(self, key: Key, settings: HammerSettings) -> None:
        slot = self._slots[key]
        self._horizons[key] = {d.name: d.horizon(settings[d.name]) for d in DETECTORS}
        signal = settings["firing"]
        assert isinstance(signal, firing.Settings)
        self._params["firing"][slot] = (signal.on_bar, signal.off_bar)
        self._params[pose.NAME][slot] = pose.params(settings[pose.NAME])
        for detector in DETECTORS:
            self._params[detector.name][slot] = detector.params(settings[detector.name])


def _not_found(state: Any) -> Any:
    """Count, per hammer, the corrections so far of events that are no longer kept."""
    return sum(state[d.name]["not_found"] for d in DETECTORS if "not_found" in (d.state.names or ()))
