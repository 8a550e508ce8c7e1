"""What people do all day: stones, spots, bouts, greasing, checks, pauses; drawn from habits by a seed."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND, Instant
from strikewatch.demo.breaker import Breaker
from strikewatch.demo.kit import Kit
from strikewatch.demo.oil import Circuit
from strikewatch.demo.people import Operator, Range
from strikewatch.demo.timeline import COLD_C, Timeline

WORKING_RPM: Final = 1800.0
IDLE_RPM: Final = 900.0
SPOT_LIMIT_S: Final = 15.0
GREASE_LIMIT_S: Final = 2.0 * 3600.0


@dataclass(frozen=True, slots=True)
class Turn:
    """One operator at the controls until `until_s` after the start. `signs_on` False: works all the same."""

    who: Operator
    until_s: float
    signs_on: bool = True


@dataclass(frozen=True, slots=True)
class Plan:
    """One hammer's day. Seconds count from `start_ns`; the air goes evenly from first to last `air_c`.

    `grease_age_s`: running seconds since the last greasing. `stone_hard`: range of hardness 0..1. `kit`: of a carrier
    with more sensors.
    """

    site: str
    hammer: str
    start_ns: Instant
    turns: Sequence[Turn]
    center_m: tuple[float, float]
    breaker: Breaker = field(default_factory=Breaker)
    circuit: Circuit = field(default_factory=Circuit)
    oil_c: float = 45.0
    air_c: Range = (22.0, 22.0)
    stone_hard: Range = (0.0, 0.5)
    pauses_s: Sequence[Range] = ()
    warm_up_s: float = 90.0
    grease_age_s: float = 0.0
    kit: Kit | None = None

    @property
    def end_ns(self) -> Instant:
        return self.start_ns + round(self.turns[-1].until_s * SECOND)

    def air_at(self, now_ns: Instant) -> float:
        first, last = self.air_c
        return first + (last - first) * (now_ns - self.start_ns) / (self.end_ns - self.start_ns)


class Worker:
    """Turns a plan into a timeline, with events and labels."""

    def __init__(self, plan: Plan, rng: np.random.Generator) -> None:
        self.plan = plan
        self.rng = rng
        self.line = Timeline(plan.hammer, plan.start_ns, plan.breaker, plan.circuit, plan.oil_c, plan.air_at)
        self.line.x_m, self.line.y_m = plan.center_m
        self.events: list[Event] = []
        self.who = plan.turns[0].who
        self.unchecked_ns: Instant | None = None
        self.greased_s = -plan.grease_age_s
        self.overdue_ns: Instant | None = None

    def kit_after(self) -> Kit | None:
        """The kit as the day leaves it."""
        return self.plan.kit

    def _placed(self, stone: bool) -> None:
        """The tool has come to a new spot, or to a new stone: for those who follow more of it."""

    @property
    def now_s(self) -> float:
        return (self.line.now_ns - self.plan.start_ns) / SECOND

    def _draw(self, between: Range) -> float:
        return float(self.rng.uniform(*between))

    def _chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def _tell(self, kind: str, **fields: object) -> None:
        self.events.append(Event(self.plan.site, self.plan.hammer, kind, self.line.now_ns, fields))

    def spend(
        self, lasting_s: float, rpm: float, firing: bool = False, hard: float = 0.0, blank: float = 0.0
    ) -> None:
        """Let time pass and keep the greasing clock."""
        line = self.line
        before_s, start_ns = line.running_s, line.now_ns
        line.spend(lasting_s, rpm, firing, self.who.flow if firing else 1.0, hard, blank)
        due_s = self.greased_s + GREASE_LIMIT_S
        if before_s < due_s <= line.running_s:
            self.overdue_ns = start_ns + round((due_s - before_s) * SECOND)
        if rpm == 0.0:
            line.label("engine_off", start_ns, line.now_ns)

    def run(self) -> None:
        """The whole day."""
        if self.plan.grease_age_s >= GREASE_LIMIT_S:
            self.overdue_ns = self.plan.start_ns
        for turn in self.plan.turns:
            self._turn(turn)
        self._end_overdue()
        self.line.close()

    def _turn(self, turn: Turn) -> None:
        line, who = self.line, turn.who
        self.who = who
        start_ns = line.now_ns
        self.spend(self._draw((20.0, 60.0)), 0.0)
        if turn.signs_on:
            self._tell("sign_on", operator=who.name)
        self.unchecked_ns = line.now_ns
        if who.checks:
            self.spend(self._draw((150.0, 240.0)), 0.0)
            self._tell("check", result="ok", note="")
            self.unchecked_ns = None
        self.spend(self.plan.warm_up_s, IDLE_RPM)
        while (left_s := turn.until_s - self.now_s) > 90.0:
            self._next_task(left_s)
        self.spend(left_s - 15.0, IDLE_RPM)
        if turn.signs_on and who.signs_off:
            self._tell("sign_off")
        self.spend(turn.until_s - self.now_s, IDLE_RPM)
        line.label("at_controls", start_ns, line.now_ns, operator=who.name, signed_on=turn.signs_on)

    def _next_task(self, left_s: float) -> None:
        who, since_s = self.who, self.line.running_s - self.greased_s
        for start_s, end_s in self.plan.pauses_s:
            if start_s <= self.now_s < end_s:
                self.spend(min(end_s - self.now_s, left_s), 0.0)
                return
        if who.grease_after_h is not None and since_s >= who.grease_after_h * 3600.0 and left_s > 500.0:
            self._grease()
        elif who.cools_at_c is not None and self.line.oil_c >= who.cools_at_c:
            self._cool_down(left_s)
        else:
            self._stone(left_s - 60.0)

    def _grease(self) -> None:
        self.spend(self._draw((100.0, 160.0)), 0.0)
        self._end_overdue()
        self._tell("grease", strokes=list(self.who.strokes), method="manual")
        self.greased_s = self.line.running_s
        self.spend(self._draw((40.0, 80.0)), 0.0)

    def _end_overdue(self) -> None:
        if self.overdue_ns is not None:
            since_h = (self.line.running_s - self.greased_s) / 3600.0
            self.line.label("grease_overdue", self.overdue_ns, self.line.now_ns, running_h=round(since_h, 4))
        self.overdue_ns = None

    def _cool_down(self, left_s: float) -> None:
        """Rest with the fan running until 75 degC, a quarter of an hour at most."""
        for _ in range(15):
            if self.line.oil_c <= 75.0 or left_s < 160.0:
                break
            self.spend(60.0, IDLE_RPM)
            left_s -= 60.0
        self.spend(10.0, IDLE_RPM)

    def _stone(self, left_s: float) -> None:
        """Travel to a stone and break it, spot by spot, while time is left."""
        line = self.line
        end_ns = line.now_ns + round(left_s * SECOND)
        self.spend(min(self._draw((15.0, 40.0)), max(left_s, 1.0)), 1500.0)
        line.x_m, line.y_m = (center + self._draw((-12.0, 12.0)) for center in self.plan.center_m)
        self._placed(stone=True)
        hard = self._draw(self.plan.stone_hard)
        start_ns = line.now_ns
        for spot in range(int(self.rng.integers(3, 8))):
            if line.now_ns + 60 * SECOND > end_ns:
                break
            if spot:
                self.spend(self._draw(self.who.reposition_s), WORKING_RPM * self.who.flow)
                way, turn = self._draw((0.9, 1.6)), self._draw((0.0, 2.0 * math.pi))
                line.x_m += way * math.cos(turn)
                line.y_m += way * math.sin(turn)
                self._placed(stone=False)
            self._spot(hard)
        if line.now_ns == start_ns:
            return
        if hard > 0.6:
            line.label("hard_stone", start_ns, line.now_ns, hard=round(hard, 2))
        if self.who.flow < 1.0:
            line.label("throttled", start_ns, line.now_ns, operator=self.who.name, flow=self.who.flow)

    def _spot(self, hard: float) -> None:
        """One to three bouts on one spot, with pauses too short to count as moving on."""
        who, line = self.who, self.line
        lingers = self._chance(who.linger_share)
        loaded_s = self._draw(who.linger_s if lingers else who.spot_s)
        bouts = int(self.rng.integers(1, 4))
        shares = self.rng.dirichlet(np.full(bouts, 6.0))
        cold = line.oil_c < COLD_C
        if self.unchecked_ns is not None:
            line.label("unchecked", self.unchecked_ns, line.now_ns, operator=who.name)
            self.unchecked_ns = None
        start_ns, firing_s = line.now_ns, 0.0
        for bout, share in enumerate(shares):
            if bout:
                self.spend(self._draw((0.4, 1.6)), WORKING_RPM * who.flow)
            began_ns = line.now_ns
            self._bout(float(share) * loaded_s, hard, first=bout == 0, last=bout == bouts - 1)
            firing_s += (line.now_ns - began_ns) / SECOND
        if firing_s >= SPOT_LIMIT_S:
            line.label("linger", start_ns, line.now_ns, operator=who.name, firing_s=round(firing_s, 3))
        if cold:
            line.label("cold", start_ns, line.now_ns, operator=who.name, firing_s=round(firing_s, 3))

    def _bout(self, loaded_s: float, hard: float, first: bool, last: bool) -> None:
        """One run of firing: blank at its start, in its middle or at its end by habit, loaded otherwise."""
        who = self.who
        if first and self._chance(who.early_share):
            self._blank("start", self._draw(who.early_s), hard)
        if self._chance(who.skate_share):
            self._loaded(loaded_s / 2.0, hard)
            self._blank("middle", self._draw((1.2, 2.5)), hard)
            loaded_s /= 2.0
        self._loaded(loaded_s, hard)
        if last:
            through = self._chance(who.through_share)
            self._blank("end", self._draw(who.through_s if through else who.release_s), hard)

    def _loaded(self, lasting_s: float, hard: float) -> None:
        """Loaded blows, the resistance of the stone wandering a little every second or so."""
        while lasting_s > 0.0:
            piece_s = min(lasting_s, self._draw((0.8, 1.6)))
            wander = float(np.clip(hard + self.rng.normal(0.0, 0.25), 0.0, 1.0))
            self.spend(piece_s, WORKING_RPM * self.who.flow, firing=True, hard=wander)
            lasting_s -= piece_s

    def _blank(self, kind: str, lasting_s: float, hard: float) -> None:
        start_ns, fall = self.line.now_ns, self._draw((0.2, 0.6))
        self.spend(lasting_s, WORKING_RPM * self.who.flow, firing=True, hard=hard, blank=fall)
        end_ns = self.line.now_ns
        fields = {"operator": self.who.name, "kind": kind, "fall": round(fall, 3)}
        self.line.label("blank", start_ns, end_ns, **fields, s=round((end_ns - start_ns) / SECOND, 3))
