"""Simulate work on an instrumented carrier: where it parks, how it holds the tool, and misuse at planned times.

It uses a random stream of its own, so that the day on a carrier without these sensors is unchanged.
"""

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from strikewatch.core.instant import Instant
from strikewatch.demo.machine import Equipment, MaintenanceTask, Misuse, Range, Stance
from strikewatch.demo.work import WORKING_RPM, Plan, Worker

REACH_M: Final[Range] = (5.8, 6.8)
"""Reach after parking; within FAR_M and SWING_DEG the carrier is not moved."""
FAR_M: Final[Range] = (4.9, 7.7)
SWING_DEG: Final = 28.0
MOVE_S: Final[Range] = (4.0, 7.0)
AHEAD_DEG: Final[Range] = (-12.0, 12.0)
HEIGHT_M: Final[Range] = (0.1, 0.7)
TILT_DEG: Final[Range] = (-6.0, 6.0)

SLOW: Final = 0.8
"""Share of rated engine speed; below RATED_LEAST a breaker gets too little flow."""
RATED_LEAST: Final = 0.9
ACROSS_DEG: Final[Range] = (58.0, 84.0)
ASKEW_DEG: Final[Range] = (19.0, 26.0)
STRETCHED: Final[Range] = (0.008, 0.025)
TOO_LIGHT_BAR: Final[Range] = (18.0, 26.0)
LIFTED_BAR: Final[Range] = (118.0, 132.0)
PRIED_BAR: Final[Range] = (135.0, 165.0)
PRIED_S: Final[Range] = (1.2, 2.6)
DEEP_M: Final[Range] = (0.2, 0.5)

UNLOADED_BAR: Final = 14.0
RESTING_BAR: Final = 8.0
LOW_LEVEL: Final = 0.1
LONG_BLANK_S: Final = 2.0
"""Blank firing of at least this length also means too little feed force; it is labelled, fault or not."""


class InstrumentedWorker(Worker):
    """Simulates a plan with `equipment`; `own`: random stream for what only its sensors see."""

    def __init__(
        self, plan: Plan, equipment: Equipment, rng: np.random.Generator, sensor_rng: np.random.Generator
    ) -> None:
        super().__init__(plan, rng)
        self.equipment = equipment
        self._sensor_rng = sensor_rng
        self._planned_misuse = sorted(equipment.planned_misuse)
        self._tasks = sorted(equipment.tasks, key=lambda task: task.at_s)
        self.level = equipment.greaser.level
        self._low_ns: Instant | None = None
        self._grease_gap: tuple[Instant, float] | None = None
        self._fired_s = 0.0
        self._misread_ns: Instant | None = None
        self._press_bar = equipment.press_bar
        self._side_bar: Range = (4.0, 26.0)
        self._water_m = equipment.water_m
        self._stance = Stance()
        self._park(REACH_M, (0.0, 0.0))
        self._hold(0.0)

    def equipment_after(self) -> Equipment:
        return replace(self.equipment, greaser=replace(self.equipment.greaser, level=self.level))

    def _vary(self, between: Range) -> float:
        return float(self._sensor_rng.uniform(*between))

    def _park(self, reach_m: Range, swing_deg: Range) -> None:
        """Place the carrier so that the tool, where it is, is at that reach and swing from the track line."""
        self._heading = self._vary((-math.pi, math.pi))
        toward = self._heading + math.radians(self._vary(swing_deg))
        reach = self._vary(reach_m)
        self._boom_foot = (
            self.timeline.x_m - reach * math.cos(toward),
            self.timeline.y_m - reach * math.sin(toward),
        )

    def _reached(self) -> tuple[float, float]:
        """Return the distance from the boom foot to the tool, m, and the swing from the track line, degrees."""
        out_m, side_m = self.timeline.x_m - self._boom_foot[0], self.timeline.y_m - self._boom_foot[1]
        swing = math.degrees(math.atan2(side_m, out_m) - self._heading)
        return math.hypot(out_m, side_m), (swing + 180.0) % 360.0 - 180.0

    def _hold(self, tilt_deg: float, height_m: float = HEIGHT_M[0]) -> None:
        """Set the arm for the tool where it is."""
        reach_m, swing_deg = self._reached()
        joints = self.equipment.arm.joints(reach_m, height_m, tilt_deg)
        strokes, water_m = self.equipment.arm.strokes(joints), self._vary(self._water_m)
        self._stance = Stance(height_m, swing_deg, tilt_deg, *strokes, *joints, water_m=water_m)

    def _placed(self, stone: bool) -> None:
        reach_m, swing_deg = self._reached()
        out_of_reach = abs(swing_deg) > SWING_DEG or not FAR_M[0] <= reach_m <= FAR_M[1]
        if stone or out_of_reach:
            self._park(REACH_M, AHEAD_DEG)
        self._hold(self._vary(TILT_DEG), self._vary(HEIGHT_M))
        if out_of_reach and not stone:
            self.advance(self._vary(MOVE_S), WORKING_RPM)

    def advance(
        self, duration_s: float, rpm: float, firing: bool = False, hard: float = 0.0, blank: float = 0.0
    ) -> None:
        """Advance the timeline, with the values of the additional sensors."""
        running = rpm > 0.0
        feed_bar = RESTING_BAR * running
        if firing:
            feed_bar = self._vary(self._press_bar) if blank == 0.0 else UNLOADED_BAR
        side_bar = self._vary(self._side_bar) if firing else 3.0 * running
        first_s, last_s = self.equipment.greaser.dry_s
        flow = running and not first_s <= self.now_s < last_s
        self._pump(duration_s, firing, dry=running and not flow, flow=flow)
        self.timeline.stance = self._stance._replace(
            feed_bar=feed_bar, side_load_bar=side_bar, grease_level=self.level, grease_flow=float(flow)
        )
        self._fired_s += duration_s * firing
        super().advance(duration_s, rpm, firing, hard, blank)

    def _pump(self, duration_s: float, firing: bool, dry: bool, flow: bool) -> None:
        now_ns = self.timeline.now_ns
        if dry:
            since_ns, firing_s = self._grease_gap or (now_ns, 0.0)
            self._grease_gap = (since_ns, firing_s + duration_s * firing)
        elif flow:
            self._end_grease_gap()
            self.level = max(0.0, self.level - self.equipment.greaser.use_per_h * duration_s / 3600.0)
        if self.level < LOW_LEVEL and self._low_ns is None:
            self._low_ns = now_ns

    def _end_grease_gap(self) -> None:
        if self._grease_gap is not None:
            since_ns, firing_s = self._grease_gap
            self.timeline.label("no_grease_flow", since_ns, self.timeline.now_ns, firing_s=round(firing_s, 3))
        self._grease_gap = None

    def _end_low(self) -> None:
        if self._low_ns is not None:
            self.timeline.label("grease_low", self._low_ns, self.timeline.now_ns, level=round(self.level, 4))
        self._low_ns = None

    def run(self) -> None:
        super().run()
        self._end_grease_gap()
        self._end_low()

    def _next_task(self, left_s: float) -> None:
        if self._tasks and self._tasks[0].at_s <= self.now_s and left_s > 400.0:
            self._do(self._tasks.pop(0))
        else:
            super()._next_task(left_s)

    def _do(self, task: MaintenanceTask) -> None:
        self.advance(self._vary((90.0, 150.0)), 0.0)
        if task.what == "refill":
            self._end_low()
            self.level = 1.0
        else:
            self._emit(task.what, **task.fields)
        if task.what == "hours":
            if self._misread_ns is not None:
                self.timeline.label(
                    "misread", self._misread_ns, self.timeline.now_ns, operator=self.operator.name
                )
            self._misread_ns = self.timeline.now_ns if task.wrong else None
        self.advance(self._vary((20.0, 40.0)), 0.0)

    def _spot(self, hard: float) -> None:
        misuse = (
            self._planned_misuse.pop(0).what
            if self._planned_misuse and self._planned_misuse[0].at_s <= self.now_s
            else None
        )
        operator, equipment = self.operator, self.equipment
        self._begin(misuse)
        start_ns, before_s = self.timeline.now_ns, self._fired_s
        super()._spot(hard)
        for truth in self._labels_of_spot(misuse):
            self._label(truth, start_ns, self._fired_s - before_s)
        if misuse == "prying":
            self._pry()
        self.operator, self._press_bar, self._water_m = operator, equipment.press_bar, equipment.water_m
        if misuse is not None:
            self._placed(stone=False)

    def _begin(self, misuse: Misuse | None) -> None:
        """Position the carrier and the tool for a misuse."""
        tilt_deg, height_m = self._stance.tilt_deg, self._stance.tool_z_m
        if misuse in ("off_square", "askew_at_end"):
            tilt_deg = self._vary(ASKEW_DEG) * (1.0 if self._sensor_rng.random() < 0.5 else -1.0)
        if misuse in ("end_of_stroke", "askew_at_end"):
            reach_m = self.equipment.arm.reach_m(self._vary(STRETCHED), height_m, tilt_deg)
            self._park((reach_m, reach_m), AHEAD_DEG)
        elif misuse in ("over_side", "off_square"):
            self._park(REACH_M, ACROSS_DEG if misuse == "over_side" else AHEAD_DEG)
        elif misuse == "low_engine_speed":
            self.operator = replace(self.operator, flow=SLOW)
        elif misuse in ("too_light", "lifted"):
            self._press_bar = TOO_LIGHT_BAR if misuse == "too_light" else LIFTED_BAR
        elif misuse == "submerged":
            self._water_m = DEEP_M
        if misuse is not None:
            self._hold(tilt_deg, height_m)
            self.advance(self._vary(MOVE_S), WORKING_RPM)

    def _labels_of_spot(self, misuse: Misuse | None) -> Iterator[str]:
        """Yield the labels that are true for the whole spot."""
        if misuse == "askew_at_end":
            yield from ("end_of_stroke", "off_square")
        elif misuse in ("too_light", "lifted"):
            yield "feed_force"
        elif misuse is not None and misuse not in ("prying", "low_engine_speed"):
            yield misuse
        if self.operator.flow < RATED_LEAST:
            yield "low_engine_speed"

    def _label(self, truth: str, start_ns: Instant, duration_s: float) -> None:
        self.timeline.label(
            truth, start_ns, self.timeline.now_ns, operator=self.operator.name, s=round(duration_s, 3)
        )

    def _pry(self) -> None:
        """Pry broken pieces apart with the tool."""
        self.advance(0.5, WORKING_RPM)
        start_ns, duration_s = self.timeline.now_ns, self._vary(PRIED_S)
        self.timeline.stance = self.timeline.stance._replace(side_load_bar=self._vary(PRIED_BAR))
        super().advance(duration_s, WORKING_RPM)
        self._label("prying", start_ns, duration_s)

    def _blank(self, kind: str, duration_s: float, hard: float) -> None:
        start_ns = self.timeline.now_ns
        super()._blank(kind, duration_s, hard)
        if duration_s >= LONG_BLANK_S:
            self._label("feed_force", start_ns, duration_s)
