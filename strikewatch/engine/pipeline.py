"""One step of the core: a batch of rows and events in, findings and the next state out.

Nothing here knows a clock, a disk or a socket, nor whether the rows are live or recorded. A step changes nothing by
itself: `keep` makes its outcome the present. So a step can be committed elsewhere first, or be a mere look ahead.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from strikewatch.core.alert import PRIORITIES
from strikewatch.core.batch import Batch, Key, Rows
from strikewatch.core.bout import Bout, Worked
from strikewatch.core.channels import CHANNELS
from strikewatch.core.finding import Finding, FindingStep
from strikewatch.core.instant import Instant
from strikewatch.core.stretch import Spent, Stretch
from strikewatch.detectors import coverage, exposure, pose
from strikewatch.detectors import firing as reading
from strikewatch.detectors.base import NO_BITS, Detector, DetectorSettings
from strikewatch.detectors.blank_firing import blank_firing
from strikewatch.detectors.kernels import CHANNEL_BITS, EVENT, FINDING, NEVER, NOTED, SPAN, compiled
from strikewatch.detectors.registry import DETECTORS
from strikewatch.engine import fitted_tool, grouping, operator_on_duty
from strikewatch.engine.attribution import Attribution
from strikewatch.engine.event_records import records
from strikewatch.engine.state import PARTS, RAW, STATE, fresh, saved_parts

HammerSettings = Mapping[str, DetectorSettings]
"""Of one hammer: each detector's settings by its name, `firing` for the reading, and `pose` for its carrier's arm."""

_STEPS: Final[tuple[FindingStep, ...]] = ("raised", "escalated", "cleared", "standing")
_NONE: Final[Mapping[str, Any]] = {
    **{name: np.empty(0, np.float64) for name in (*CHANNELS, "nothing")},
    "events": np.empty(0, EVENT),
    "bad": NO_BITS,
    "good": NO_BITS,
}


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a step found, and the state of its hammers after it (records of `STATE`, one a portion).

    `notes`: what was measured of bouts and of stretches of work, by detector, as records of `FINDING`.
    `attributions`: by place among `keys`, of the hammers whose state alone does not say who was on at each onset.
    """

    keys: tuple[Key, ...]
    slots: Any
    state: Any
    findings: list[Finding]
    notes: Mapping[str, Any]
    attributions: Mapping[int, Attribution]
    not_found: tuple[Key, ...] = ()
    """Hammers with a correction of an entry that is no longer kept, or never came: a clock may still count it."""

    def on_duty(self, key: Key, instant: Instant) -> str | None:
        """Who was signed on to one of these hammers at an instant: the onset of a finding of this step, or later."""
        return self._attribution(self.keys.index(key)).on_duty(instant)

    def bouts(self) -> Iterator[Worked]:
        """The bouts that are over (in a report, those under way too), each with its operator and tool."""
        numbers = len(Bout._fields) - 3
        for g, start, end, measured, *whose in self._noted(blank_firing.DETECTOR):
            yield Worked(Bout(self.keys[g], start, end, *measured[:numbers]), *whose)

    def bouts_in_columns(self, *names: str) -> Iterator[tuple[Key, Any, Any, list[Any]]]:
        """(hammer, starts [n] ns, ends [n] ns, and [n] of each name) of the same bouts, a hammer at a time; the names
        are those of what is measured of a `Bout`."""
        noted = self.notes[blank_firing.DETECTOR.name]
        places = [Bout._fields.index(name) - 3 for name in names]
        for g in np.unique(noted["group"]).tolist():
            own = noted[noted["group"] == g]
            yield self.keys[g], own["onset"], own["at"], [own["evidence"][:, place] for place in places]

    def stretches(self) -> Iterator[Spent]:
        """The stretches of work that are over (in a report, those under way too), likewise."""
        numbers = len(Stretch._fields) - 3
        for g, start, end, measured, *whose in self._noted(exposure.DETECTOR):
            yield Spent(Stretch(self.keys[g], start, end, *measured[:numbers]), *whose)

    def _noted(self, detector: Detector) -> Iterator[Any]:
        """(group, start, end, numbers, operator, tool) of what a detector noted down."""
        whose: dict[int, Attribution] = {}
        for g, _, _, start, end, _, numbers in self.notes[detector.name].tolist():
            if g not in whose:
                whose[g] = self._attribution(g)
            yield g, start, end, numbers, whose[g].on_duty(start), whose[g].fitted(start)

    def _attribution(self, g: int) -> Attribution:
        return self.attributions.get(g) or Attribution(self.state[g])

    def saved(self) -> dict[Key, bytes]:
        """Each hammer's state as bytes of `LAYOUT`."""
        return {key: self.state[g : g + 1].tobytes() for g, key in enumerate(self.keys)}


class Pipeline:
    """The detectors' state for every hammer seen, and the step that carries it on.

    `settings_of` gives a hammer's settings; it is asked once a hammer.
    """

    def __init__(self, settings_of: Callable[[Key], HammerSettings]) -> None:
        reading.settle_firing()
        coverage.settle_coverage()
        pose.settle_pose()
        for detector in DETECTORS:
            detector.settle()
        self._runs = [compiled(detector.run) for detector in DETECTORS]
        self._settings_of = settings_of
        self._slots: dict[Key, int] = {}
        self._own: dict[Key, HammerSettings] = {}
        self._raw = np.zeros(0, RAW)
        self._state = self._raw.view(STATE)
        self._params: dict[str, Any] = {
            "firing": np.zeros(0, reading.PARAMS),
            pose.NAME: np.zeros(0, pose.PARAMS),
            **{d.name: np.zeros(0, d.params_dtype) for d in DETECTORS},
        }
        self._horizons: dict[Key, int] = {}
        self._arms = False  # whether any carrier's arm is told
        # Room to work in, kept from step to step.
        self._fire_until = np.empty(0, np.int64)
        self._out = np.empty(0, FINDING)

    @property
    def hammers(self) -> tuple[Key, ...]:
        return tuple(self._slots)

    def upto(self, key: Key) -> Instant:
        """The hammer's watermark; NEVER for one not seen."""
        slot = self._slots.get(key)
        return NEVER if slot is None else int(self._state[slot]["reading"]["upto"])

    def silent(self, key: Key) -> list[tuple[str, str]]:
        """(fault, why) of each that this hammer's feed and profile do not let be found."""
        record = self._state[self._slot(key)]
        return list(coverage.silent(self._own[key], coverage.heard(record)))

    def uncertain(self, key: Key) -> list[tuple[str, str]]:
        """(fault, why) of each that this hammer's feed and profile let be inferred only."""
        record = self._state[self._slot(key)]
        return list(coverage.uncertain(self._own[key], coverage.heard(record)))

    def firing_ns(self, key: Key) -> int:
        """Firing time of a hammer in all, ns."""
        slot = self._slots.get(key)
        return 0 if slot is None else reading.fired_ns(self._state[slot]["reading"])

    def horizon(self, key: Key) -> int:
        """How long after its last row something may become known of a hammer without another row or event, ns; but for
        what `due` gives."""
        self._slot(key)
        return self._horizons[key]

    def due(self, outcome: Outcome, key: Key) -> Instant:
        """The next instant after a step at which the calendar alone brings a finding of one of its hammers."""
        record = outcome.state[outcome.keys.index(key)]
        slot = self._slot(key)
        return min(d.due(record[d.name], self._params[d.name][slot]) for d in DETECTORS)

    def declare(self, key: Key, channels: Iterable[str], without: Iterable[str] = ()) -> None:
        """Say beforehand that a hammer's feed has these channels, as a recording can and a stream cannot.

        `without`: channels that it has no longer, where a recording of another feed begins.
        """
        slot = self._slot(key)
        record = self._state[slot]
        for part in STATE.names or ():
            for names, has in ((without, 0), (channels, 1)):
                for channel in names:
                    if f"has_{channel}" in (record.dtype[part].names or ()):
                        record[part][f"has_{channel}"] = has

    def configure(self, key: Key, settings: HammerSettings) -> None:
        """Go on with other settings of a hammer; its state stays."""
        self._slot(key)
        self._own[key] = settings
        self._set(key, settings)

    def settings(self, key: Key) -> HammerSettings:
        """The settings in force for a hammer."""
        self._slot(key)
        return self._own[key]

    def restore(self, key: Key, layout: str, state: bytes) -> list[str]:
        """Take up a hammer's saved state. Parts whose layout has changed begin anew; their names are returned."""
        record = fresh()
        lost: list[str] = []
        saved = saved_parts(layout, state)
        for name, *_ in PARTS:
            if name in saved:
                record[name] = saved[name]
            else:
                lost.append(name)
        slot = self._slot(key)
        self._state[slot] = record[0]
        return lost

    def present(self, key: Key) -> Any:
        """A copy of a hammer's present record of `STATE`."""
        slot = self._slot(key)
        return self._state[slot : slot + 1].copy()[0]

    def saved(self, key: Key) -> bytes:
        """A hammer's present state as bytes of `LAYOUT`."""
        slot = self._slot(key)
        return self._state[slot : slot + 1].tobytes()

    def step(self, batch: Batch, *, report: bool = False) -> Outcome:
        """Work through a batch. `report` closes it: faults that stand at the watermark are told of with their
        evidence up to there, and greasings that still wait for a row are applied."""
        portions = batch.portions
        keys = tuple(portion.key for portion in portions)
        slots = np.array([self._slot(key) for key in keys], np.int64)
        state = self._raw[slots].view(STATE)
        rows = (
            Rows.join([portion.rows for portion in portions]) if portions else Rows(np.empty(0, np.int64), {})
        )
        spans, events = self._spans(batch, slots, state)
        inputs = self._inputs(rows, state, events)
        stretches = len(rows) + len(portions)
        if len(self._fire_until) < stretches:
            self._fire_until = np.empty(stretches, np.int64)
        fire_until = self._fire_until[:stretches]
        reading.firing(
            spans,
            rows.time_ns,
            state["reading"],
            self._params["firing"],
            inputs["active"],
            inputs["pressure_bar"],
            fire_until,
        )
        coverage.note(state["feed"], spans, rows.time_ns, {name: inputs[name] for name in rows.columns})
        if self._arms and not pose.READS.isdisjoint(rows.columns):
            pose.derive(spans, rows.time_ns, state[pose.NAME], self._params[pose.NAME], inputs)
        attributions = self._attributions(batch, state)
        # Room for the worst a kernel can do; what is not written to costs nothing.
        room = 4 * (len(fire_until) + 4 * len(events)) + 40 * len(portions)
        if len(self._out) < room:
            self._out = np.empty(room, FINDING)
        findings: list[Finding] = []
        notes: dict[str, Any] = {}
        before = _not_found(state) if len(events) else 0
        for detector, run in zip(DETECTORS, self._runs, strict=True):
            n = run(
                report,
                spans,
                rows.time_ns,
                fire_until,
                state[detector.name],
                self._params[detector.name],
                *(inputs[name] for name in detector.reads),
                self._out,
            )
            out = self._out[:n]
            if detector.notes:
                noted = out["step"] == NOTED
                notes[detector.name] = out[noted]
                out = out[~noted]
            findings += [
                Finding(keys[g], detector.faults[k], _STEPS[step], onset, at, PRIORITIES[p], tuple(numbers))
                for g, k, step, onset, at, p, numbers in out.tolist()
            ]
        self._keep(attributions, batch, slots, state)
        findings = self._gathered(findings, keys, slots, state)
        if len(findings) > 1:
            findings.sort(key=lambda finding: finding.at)
        missed = np.flatnonzero(_not_found(state) > before) if len(events) else ()
        not_found = tuple(keys[g] for g in missed)
        return Outcome(keys, slots, state, findings, notes, attributions, not_found)

    @staticmethod
    def _attributions(batch: Batch, state: Any) -> dict[int, Attribution]:
        """Those of the hammers with events, or with more than one operator or tool on record."""
        several = np.flatnonzero(
            (state[operator_on_duty.NAME]["n"] > 1) | (state[fitted_tool.NAME]["n"] > 1)
        ).tolist()
        found = {g: Attribution(state[g]) for g in several}
        for g, portion in enumerate(batch.portions):
            if portion.events:
                found.setdefault(g, Attribution(state[g])).note(portion.events)
        return found

    def _keep(self, attributions: Mapping[int, Attribution], batch: Batch, slots: Any, state: Any) -> None:
        """Keep of these hammers' operators and tools what later steps may ask for."""
        for g, attribution in attributions.items():
            upto = batch.portions[g].upto
            onsets: list[Instant] = []
            starts: list[Instant] = []
            for detector in DETECTORS:
                own = state[g][detector.name], self._params[detector.name][slots[g]], upto
                onsets += detector.pending(*own)
                starts += detector.under_way(*own)
            attribution.keep(state[g], onsets, starts, upto)

    def _gathered(
        self, findings: list[Finding], keys: tuple[Key, ...], slots: Any, state: Any
    ) -> list[Finding]:
        """With what is wrong about a hammer's position as one event of it."""
        held = [finding for finding in findings if grouping.concerns(finding)]
        if not held:
            return findings
        others = [finding for finding in findings if not grouping.concerns(finding)]
        for key in dict.fromkeys(finding.key for finding in held):
            g = keys.index(key)
            pauses = [int(self._params[cause.name][slots[g]]["pause"]) for cause in grouping.CAUSES]
            own = [finding for finding in held if finding.key == key]
            others += grouping.gather(state[g]["position"], own, pauses)
        return others

    def keep(self, outcome: Outcome) -> None:
        """Make the outcome of a step the present."""
        self._raw[outcome.slots] = outcome.state.view(RAW)

    def _slot(self, key: Key) -> int:
        slot = self._slots.get(key)
        if slot is None:
            slot = self._slots[key] = len(self._slots)
            if slot == len(self._state):
                more = max(4, slot // 2)
                self._raw = np.concatenate([self._raw, np.repeat(fresh().view(RAW), more)])
                self._state = self._raw.view(STATE)
                for name, params in self._params.items():
                    self._params[name] = np.concatenate([params, np.zeros(more, params.dtype)])
            self._own[key] = self._settings_of(key)
            self._set(key, self._own[key])
        return slot

    def _set(self, key: Key, settings: HammerSettings) -> None:
        slot = self._slots[key]
        self._horizons[key] = max(d.horizon(settings[d.name]) for d in DETECTORS)
        firing = settings["firing"]
        assert isinstance(firing, reading.Settings)
        self._params["firing"][slot] = (firing.on_bar, firing.off_bar)
        self._params[pose.NAME][slot] = pose.params(settings[pose.NAME])
        self._arms |= bool(self._params[pose.NAME][slot]["arm"])
        for detector in DETECTORS:
            self._params[detector.name][slot] = detector.params(settings[detector.name])

    @staticmethod
    def _spans(batch: Batch, slots: Any, state: Any) -> tuple[Any, Any]:
        """Where in the columns each hammer's rows lie, its watermarks, and the events that detectors heed."""
        spans = np.zeros(len(slots), SPAN)
        heeded = [_NONE["events"]]
        n = 0
        first = 0
        for g, portion in enumerate(batch.portions):
            before = int(state[g]["reading"]["upto"])
            if before == NEVER:
                before = int(portion.rows.time_ns[0]) if len(portion.rows) else portion.upto
            last = first + len(portion.rows)
            first_event = n
            if portion.events:
                heeded.append(records(portion.events))
                n += len(heeded[-1])
            spans[g] = (slots[g], before, portion.upto, first, last, first_event, n)
            first = last
        return spans, np.concatenate(heeded) if n else heeded[0]

    @staticmethod
    def _inputs(rows: Rows, state: Any, events: Any) -> dict[str, Any]:
        """The columns with what is physically impossible taken out, and which channels were bad and good where."""
        inputs: dict[str, Any] = {**_NONE, "events": events}
        impossible: dict[str, Any] = {}
        for name, column in rows.columns.items():
            bad = reading.impossible(column, CHANNELS[name])
            if bad is not None:
                impossible[name] = bad
                column = np.where(bad, np.nan, column)
            inputs[name] = column
        if impossible or state["sensor_fault"]["impossible"].any():
            inputs["bad"] = np.zeros(len(rows), CHANNEL_BITS)
            inputs["good"] = np.zeros(len(rows), CHANNEL_BITS)
            for bit, name in enumerate(CHANNELS):
                if name in rows.columns:
                    if name in impossible:
                        inputs["bad"] |= impossible[name].astype(CHANNEL_BITS) << CHANNEL_BITS(bit)
                    inputs["good"] |= (inputs[name] == inputs[name]).astype(CHANNEL_BITS) << CHANNEL_BITS(bit)
        return inputs


def _not_found(state: Any) -> Any:
    """Corrections so far of entries that are not kept, of each hammer."""
    return sum(state[d.name]["not_found"] for d in DETECTORS if "not_found" in (d.state.names or ()))
