"""Simulate a day of work: stones, spots, bouts, greasing, checks, breaks; drawn at random by operator habits."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.demo.machine import Breaker, Equipment, OilCircuit, Range
from strikewatch.demo.timeline import COLD_C, Timeline

WORKING_RPM: Final = 1800.0
IDLE_RPM: Final = 900.0
SPOT_LIMIT_S: Final = 15.0
GREASE_LIMIT_S: Final = 2.0 * 3600.0


@dataclass(frozen=True, slots=True)
class Operator:
    """How one person works. Shares are per spot; times in seconds unless the name says otherwise.

    `cools_at_c`: oil temperature at which this person pauses, None = never. `grease_after_h`: hours of
    running after which this person greases, None = never. `flow`: share of rated flow (by engine speed).
    """

    name: str
    nature: str
    spot_s: Range = (7.0, 12.5)
    linger_share: float = 0.0
    linger_s: Range = (17.0, 34.0)
    reposition_s: Range = (3.0, 7.0)
    early_share: float = 0.0
    early_s: Range = (1.3, 3.5)
    through_share: float = 0.0
    through_s: Range = (1.5, 6.5)
    skate_share: float = 0.003
    release_s: Range = (0.15, 0.5)
    flow: float = 1.0
    grease_after_h: float | None = 1.7
    strokes: tuple[int, ...] = (12, 12)
    checks: bool = True
    signs_off: bool = True
    cools_at_c: float | None = 79.0


@dataclass(frozen=True, slots=True)
class WorkPeriod:
    """One operator at the controls until `until_s` after the start. `signs_on` False: works without signing on."""

    operator: Operator
    until_s: float
    signs_on: bool = True


@dataclass(frozen=True, slots=True)
class Plan:
    """One hammer's day. Seconds count from `start_ns`; the air temperature changes linearly over `air_c`.

    `grease_age_s`: running seconds since the last greasing. `stone_hard`: range of hardness 0..1. `equipment`: of an
    instrumented carrier.
    """

    site: str
    hammer: str
    start_ns: Instant
    work_periods: Sequence[WorkPeriod]
    center_m: tuple[float, float]
    breaker: Breaker = field(default_factory=Breaker)
    circuit: OilCircuit = field(default_factory=OilCircuit)
    oil_c: float = 45.0
    air_c: Range = (22.0, 22.0)
    stone_hard: Range = (0.0, 0.5)
    pauses_s: Sequence[Range] = ()
    warm_up_s: float = 90.0
    grease_age_s: float = 0.0
    equipment: Equipment | None = None

    @property
    def end_ns(self) -> Instant:
        return self.start_ns + round(self.work_periods[-1].until_s * SECOND)

    def air_at(self, now_ns: Instant) -> float:
        first, last = self.air_c
        return first + (last - first) * (now_ns - self.start_ns) / (self.end_ns - self.start_ns)


class Worker:
    """Simulates a plan: fills a timeline, with events and labels."""

    def __init__(self, plan: Plan, rng: np.random.Generator) -> None:
        self.plan = plan
        self.rng = rng
        self.timeline = Timeline(
            plan.hammer, plan.start_ns, plan.breaker, plan.circuit, plan.oil_c, plan.air_at
        )
        self.timeline.x_m, self.timeline.y_m = plan.center_m
        self.events: list[Event] = []
        self.operator = plan.work_periods[0].operator
        self.unchecked_ns: Instant | None = None
        self.greased_s = -plan.grease_age_s
        self.overdue_ns: Instant | None = None

    def equipment_after(self) -> Equipment | None:
        """Return the equipment as it is at the end of the day."""
        return self.plan.equipment

    def _placed(self, stone: bool) -> None:
        """Called when the tool is at a new spot or a new stone; subclasses simulate more of it."""

    @property
    def now_s(self) -> float:
        return (self.timeline.now_ns - self.plan.start_ns) / SECOND

    def _draw(self, between: Range) -> float:
        return float(self.rng.uniform(*between))

    def _chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def _emit(self, kind: str, **fields: object) -> None:
        self.events.append(Event(self.plan.site, self.plan.hammer, kind, self.timeline.now_ns, fields))

    def advance(
        self, duration_s: float, rpm: float, firing: bool = False, hard: float = 0.0, blank: float = 0.0
    ) -> None:
        """Advance the timeline and the grease timer."""
        timeline = self.timeline
        before_s, start_ns = timeline.running_s, timeline.now_ns
        timeline.advance(duration_s, rpm, firing, self.operator.flow if firing else 1.0, hard, blank)
        due_s = self.greased_s + GREASE_LIMIT_S
        if before_s < due_s <= timeline.running_s:
            self.overdue_ns = start_ns + round((due_s - before_s) * SECOND)
        if rpm == 0.0:
            timeline.label("engine_off", start_ns, timeline.now_ns)

    def run(self) -> None:
        """Simulate the whole day."""
        if self.plan.grease_age_s >= GREASE_LIMIT_S:
            self.overdue_ns = self.plan.start_ns
        for period in self.plan.work_periods:
            self._work(period)
        self._end_overdue()
        self.timeline.close()

    def _work(self, period: WorkPeriod) -> None:
        timeline, operator = self.timeline, period.operator
        self.operator = operator
        start_ns = timeline.now_ns
        self.advance(self._draw((20.0, 60.0)), 0.0)
        if period.signs_on:
            self._emit("sign_on", operator=operator.name)
        self.unchecked_ns = timeline.now_ns
        if operator.checks:
            self.advance(self._draw((150.0, 240.0)), 0.0)
            self._emit("check", result="ok", note="")
            self.unchecked_ns = None
        self.advance(self.plan.warm_up_s, IDLE_RPM)
        while (left_s := period.until_s - self.now_s) > 90.0:
            self._next_task(left_s)
        self.advance(left_s - 15.0, IDLE_RPM)
        if period.signs_on and operator.signs_off:
            self._emit("sign_off")
        self.advance(period.until_s - self.now_s, IDLE_RPM)
        timeline.label(
            "at_controls", start_ns, timeline.now_ns, operator=operator.name, signed_on=period.signs_on
        )

    def _next_task(self, left_s: float) -> None:
        operator, since_s = self.operator, self.timeline.running_s - self.greased_s
        for start_s, end_s in self.plan.pauses_s:
            if start_s <= self.now_s < end_s:
                self.advance(min(end_s - self.now_s, left_s), 0.0)
                return
        if (
            operator.grease_after_h is not None
            and since_s >= operator.grease_after_h * 3600.0
            and left_s > 500.0
        ):
            self._grease()
        elif operator.cools_at_c is not None and self.timeline.oil_c >= operator.cools_at_c:
            self._cool_down(left_s)
        else:
            self._stone(left_s - 60.0)

    def _grease(self) -> None:
        self.advance(self._draw((100.0, 160.0)), 0.0)
        self._end_overdue()
        self._emit("grease", strokes=list(self.operator.strokes), method="manual")
        self.greased_s = self.timeline.running_s
        self.advance(self._draw((40.0, 80.0)), 0.0)

    def _end_overdue(self) -> None:
        if self.overdue_ns is not None:
            since_h = (self.timeline.running_s - self.greased_s) / 3600.0
            self.timeline.label(
                "grease_overdue", self.overdue_ns, self.timeline.now_ns, running_h=round(since_h, 4)
            )
        self.overdue_ns = None

    def _cool_down(self, left_s: float) -> None:
        """Idle with the fan running until 75 degC, for 15 min at most."""
        for _ in range(15):
            if self.timeline.oil_c <= 75.0 or left_s < 160.0:
                break
            self.advance(60.0, IDLE_RPM)
            left_s -= 60.0
        self.advance(10.0, IDLE_RPM)

    def _stone(self, left_s: float) -> None:
        """Travel to a stone and break it, spot by spot, until the time is up."""
        timeline = self.timeline
        end_ns = timeline.now_ns + round(left_s * SECOND)
        self.advance(min(self._draw((15.0, 40.0)), max(left_s, 1.0)), 1500.0)
        timeline.x_m, timeline.y_m = (center + self._draw((-12.0, 12.0)) for center in self.plan.center_m)
        self._placed(stone=True)
        hard = self._draw(self.plan.stone_hard)
        start_ns = timeline.now_ns
        for spot in range(int(self.rng.integers(3, 8))):
            if timeline.now_ns + 60 * SECOND > end_ns:
                break
            if spot:
                self.advance(self._draw(self.operator.reposition_s), WORKING_RPM * self.operator.flow)
                distance_m, turn = self._draw((0.9, 1.6)), self._draw((0.0, 2.0 * math.pi))
                timeline.x_m += distance_m * math.cos(turn)
                timeline.y_m += distance_m * math.sin(turn)
                self._placed(stone=False)
            self._spot(hard)
        if timeline.now_ns == start_ns:
            return
        if hard > 0.6:
            timeline.label("hard_stone", start_ns, timeline.now_ns, hard=round(hard, 2))
        if self.operator.flow < 1.0:
            timeline.label(
                "throttled", start_ns, timeline.now_ns, operator=self.operator.name, flow=self.operator.flow
            )

    def _spot(self, hard: float) -> None:
        """Fire one to three bouts on one spot, with pauses too short to count as repositioning."""
        operator, timeline = self.operator, self.timeline
        lingers = self._chance(operator.linger_share)
        loaded_s = self._draw(operator.linger_s if lingers else operator.spot_s)
        bouts = int(self.rng.integers(1, 4))
        shares = self.rng.dirichlet(np.full(bouts, 6.0))
        cold = timeline.oil_c < COLD_C
        if self.unchecked_ns is not None:
            timeline.label("unchecked", self.unchecked_ns, timeline.now_ns, operator=operator.name)
            self.unchecked_ns = None
        start_ns, firing_s = timeline.now_ns, 0.0
        for bout, share in enumerate(shares):
            if bout:
                self.advance(self._draw((0.4, 1.6)), WORKING_RPM * operator.flow)
            began_ns = timeline.now_ns
            self._bout(float(share) * loaded_s, hard, first=bout == 0, last=bout == bouts - 1)
            firing_s += (timeline.now_ns - began_ns) / SECOND
        if firing_s >= SPOT_LIMIT_S:
            timeline.label(
                "linger", start_ns, timeline.now_ns, operator=operator.name, firing_s=round(firing_s, 3)
            )
        if cold:
            timeline.label(
                "cold", start_ns, timeline.now_ns, operator=operator.name, firing_s=round(firing_s, 3)
            )

    def _bout(self, loaded_s: float, hard: float, first: bool, last: bool) -> None:
        """Fire one bout: blank at its start, middle or end by habit, otherwise loaded."""
        operator = self.operator
        if first and self._chance(operator.early_share):
            self._blank("start", self._draw(operator.early_s), hard)
        if self._chance(operator.skate_share):
            self._loaded(loaded_s / 2.0, hard)
            self._blank("middle", self._draw((1.2, 2.5)), hard)
            loaded_s /= 2.0
        self._loaded(loaded_s, hard)
        if last:
            through = self._chance(operator.through_share)
            self._blank("end", self._draw(operator.through_s if through else operator.release_s), hard)

    def _loaded(self, duration_s: float, hard: float) -> None:
        """Strike loaded blows; the resistance of the stone varies a little about every second."""
        while duration_s > 0.0:
            piece_s = min(duration_s, self._draw((0.8, 1.6)))
            hardness = float(np.clip(hard + self.rng.normal(0.0, 0.25), 0.0, 1.0))
            self.advance(piece_s, WORKING_RPM * self.operator.flow, firing=True, hard=hardness)
            duration_s -= piece_s

    def _blank(self, kind: str, duration_s: float, hard: float) -> None:
        start_ns, fall = self.timeline.now_ns, self._draw((0.2, 0.6))
        self.advance(duration_s, WORKING_RPM * self.operator.flow, firing=True, hard=hard, blank=fall)
        end_ns = self.timeline.now_ns
        fields = {"operator": self.operator.name, "kind": kind, "fall": round(fall, 3)}
        self.timeline.label("blank", start_ns, end_ns, **fields, s=round((end_ns - start_ns) / SECOND, 3))
