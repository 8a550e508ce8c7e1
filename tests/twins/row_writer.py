"""Random rows of one hammer, in sequences that reach each limit exactly, just before and just after.

A feed has its channels from the first row on.
"""

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from strikewatch.core.instant import SECOND, seconds
from tests.twins.signals import Row

OFFSETS_NS = (0, 0, 0, 1, -1, 1000, -1000, 1_000_000, -1_000_000)
"""Distances from a limit, ns; most often none."""

Settings = Mapping[str, Mapping[str, Any]]


@dataclass
class RowWriter:
    """Writes the rows of one hammer, one sequence after the other."""

    rng: random.Random
    settings: Settings
    now: int
    rows: list[Row] = field(default_factory=list)
    oil: str = "warm"

    def __post_init__(self) -> None:
        rng = self.rng
        self.has_active = rng.random() < 0.75
        self.null_active = not self.has_active and rng.random() < 0.3
        self.has_pressure = not self.has_active or rng.random() < 0.7
        self.has_oil = rng.random() < 0.85
        self.has_pose = rng.random() < 0.75
        self.has_engine = rng.random() < 0.5
        self.place = (float(rng.randint(-3, 3)), float(rng.randint(-3, 3)))
        self.bar = 140.0
        self.rpm = 1800.0
        self.row(0, firing=rng.random() < 0.5, all_sampled=True)

    def row(
        self,
        step_ns: int,
        firing: bool | None,
        exactly: Mapping[str, float] | None = None,
        *,
        all_sampled: bool = False,
    ) -> None:
        """Write one row. `firing` None: not sampled. `exactly`: values that override those of single channels."""
        rng = self.rng
        self.now += step_ns
        values: dict[str, float] = {}
        if self.has_active:
            values["active"] = math.nan if firing is None else float(firing)
            if rng.random() < 0.06:
                values["pressure_bar"] = rng.choice((59.0, 60.0, 80.0))
        elif self.null_active:
            values["active"] = math.nan
        if self.has_pressure and (all_sampled or not self.has_active or rng.random() < 0.6):
            values["pressure_bar"] = self.pressure(firing)
        if self.has_oil and (all_sampled or rng.random() < 0.35):
            values["oil_c"] = self.temperature()
        if self.has_pose and (all_sampled or rng.random() < 0.3):
            values["tool_x_m"], values["tool_y_m"] = self.place
            if rng.random() < 0.2:
                del values[rng.choice(("tool_x_m", "tool_y_m"))]
        if self.has_engine and (all_sampled or rng.random() < 0.5):
            values["engine_rpm"] = self.rpm
        values |= exactly or {}
        if not all_sampled:
            for channel in [*values]:
                if rng.random() < 0.03:
                    values[channel] = math.nan
        self.rows.append(Row(self.now, values))

    def pressure(self, firing: bool | None) -> float:
        if firing is None:
            return math.nan if self.has_active or self.rng.random() < 0.5 else 70.0
        if self.rng.random() < 0.5:
            return self.bar if firing else 10.0
        if firing:
            return self.rng.choice((80.0, 80.0, math.nextafter(80.0, 0.0), 60.0, 141.5, 150.0))
        return self.rng.choice((math.nextafter(60.0, 0.0), 59.0, 0.0, 60.0))

    def temperature(self) -> float:
        by_condition = {
            "cold": (20.0, 20.0, math.nextafter(20.0, 0.0), 19.0, 5.0, 15.0, 15.0, 15.0),
            "warm": (45.0, 45.0, 60.5, 78.0, 79.0),
            "hot": (80.0, math.nextafter(80.0, 90.0), 80.5, 81.0, 82.0, 82.0, 78.5, 84.0),
            "severe": (85.0, math.nextafter(85.0, 90.0), 86.0, 81.0, 78.0, math.nextafter(78.0, 90.0)),
            "stuck": (81.0,),
        }
        return self.rng.choice(by_condition[self.oil])

    def offset_ns(self) -> int:
        return self.rng.choice(OFFSETS_NS)

    def random_step_ns(self) -> int:
        """Return a step of any size, often a hold time or a limit."""
        rng = self.rng
        kind = rng.random()
        if kind < 0.45:
            return rng.choice((1, 10, 100, 250, 500, 999)) * SECOND // 1000
        if kind < 0.85:
            return rng.choice((1, 2, 2, 3)) * SECOND + self.offset_ns()
        if kind < 0.97:
            return rng.choice((5, 10, 10, 20)) * SECOND + self.offset_ns()
        return rng.choice((30, 60)) * SECOND + self.offset_ns()

    def random_rows(self) -> None:
        for _ in range(self.rng.randint(2, 8)):
            self.row(self.random_step_ns(), self.rng.choice((True, True, False, None)))

    def fire_for(self, total_ns: int, last: Mapping[str, float] | None = None) -> None:
        """Fire without a break for exactly this time; the last row may end it."""
        left = total_ns
        self.row(self.rng.choice((100_000_000, SECOND)), True)
        while left > 0:
            step = min(left, self.rng.choice((500_000_000, SECOND, 1_900_000_000, 2 * SECOND)))
            left -= step
            self.row(step, self.rng.random() < 0.3 if left == 0 else True, last if left == 0 else None)

    def spot_at_limit(self) -> None:
        """After a pause: fire for exactly the limit or twice the limit, with or without a pause in between."""
        limit = seconds(self.settings["same_spot"]["limit_s"])
        self.row(SECOND, False)
        self.row(5 * SECOND, False)
        total = limit * self.rng.choice((1, 1, 2)) + self.offset_ns()
        if self.rng.random() < 0.4:
            self.fire_for(total // 2)
            self.pause()
            self.fire_for(total - total // 2)
        else:
            self.fire_for(total, self.next_position())

    def pause(self) -> None:
        """Do not fire for about the reposition time; the tool may move."""
        length = seconds(self.settings["same_spot"]["reposition_s"])
        if self.rng.random() < 0.4:
            length //= 2
        self.row(500_000_000, False)
        if self.rng.random() < 0.5:
            self.row(length // 2, False, self.next_position())
            length -= length // 2
        self.row(length + self.offset_ns(), True)

    def next_position(self) -> dict[str, float]:
        """Return a position exactly at the radius, just beyond it or far beyond it; sometimes none."""
        if not self.has_pose or self.rng.random() < 0.3:
            return {}
        x, y = self.place
        dx, dy = self.rng.choice(
            ((0.5, 0.0), (0.0, -0.5), (0.3, 0.4), (0.5001, 0.0), (0.75, 0.0), (3.0, -2.0))
        )
        if self.rng.random() < 0.2:
            dx = math.nextafter(x + 0.5, math.inf) - x
        if self.rng.random() < 0.7:
            self.place = (float(self.rng.randint(-3, 3)), float(self.rng.randint(-3, 3)))
        return {"tool_x_m": x + dx, "tool_y_m": y + dy}

    def move_tool(self) -> None:
        for _ in range(self.rng.randint(1, 4)):
            self.row(
                self.rng.choice((100_000_000, SECOND)),
                self.rng.choice((True, True, False)),
                self.next_position(),
            )

    def hot_oil(self) -> None:
        """Stay above the limit for about the on-delay, with a value at its end."""
        self.oil = self.rng.choice(("hot", "severe", "hot", "stuck"))
        if not self.has_oil:
            return
        delay = seconds(self.settings["hot_oil"]["on_delay_s"])
        self.row(SECOND, self.rng.choice((True, False, None)), {"oil_c": self.rng.choice((80.0, 79.0, 77.0))})
        self.row(SECOND, True, {"oil_c": self.rng.choice((81.0, math.nextafter(80.0, 90.0)))})
        if delay > 60 * SECOND or self.rng.random() < 0.3:
            half = 60 * SECOND + self.offset_ns() if delay > 60 * SECOND else max(1, delay // 2)
            self.row(half, None, {"oil_c": self.rng.choice((80.0, 86.0, 81.0))})
            delay -= half
        self.row(max(1, delay + self.offset_ns()), True, {"oil_c": self.rng.choice((80.0, 81.0, 85.5))})
        for _ in range(self.rng.randint(0, 4)):
            self.row(self.rng.choice((SECOND, 2 * SECOND)), self.rng.choice((True, False)))

    def cool_oil(self) -> None:
        if self.has_oil:
            self.row(SECOND, None, {"oil_c": self.rng.choice((78.0, 78.0, math.nextafter(78.0, 90.0), 77.0))})
        self.oil = self.rng.choice(("warm", "cold", "warm"))

    def cold_oil(self) -> None:
        """Fire with cold oil for about the limit, with a value at its end."""
        self.oil = "cold"
        if not self.has_oil:
            return
        self.row(SECOND, False, {"oil_c": self.rng.choice((20.0, 25.0))})
        self.row(SECOND, False, {"oil_c": math.nextafter(20.0, 0.0)})
        total = seconds(self.settings["cold_oil"]["cold_firing_s"]) + self.offset_ns()
        self.fire_for(total, {"oil_c": self.rng.choice((20.0, 19.0))})

    def unknown_oil(self) -> None:
        """Sample no oil temperature for more than a minute, while all else stays known."""
        for _ in range(self.rng.choice((7, 8, 13))):
            self.row(
                self.rng.choice((5, 9, 10)) * SECOND, self.rng.choice((True, False)), {"oil_c": math.nan}
            )

    def silence(self) -> None:
        working = 0.0 if self.rng.random() < 0.2 else self.rpm
        last = {"engine_rpm": working} if self.has_engine and self.rng.random() < 0.7 else {}
        self.row(self.rng.choice((SECOND, 10 * SECOND, 10 * SECOND + 1)), self.rng.random() < 0.5, last)
        self.row(
            self.rng.choice((30, 30, 30, 60)) * SECOND + self.offset_ns(), self.rng.choice((True, False))
        )

    def impossible_values(self) -> None:
        """Write impossible values and not-available codes on one or two channels; possible ones may follow."""
        impossible = {"oil_c": (-41.0, 1735.0, math.inf, 210.5), "pressure_bar": (-10.5, 601.0, 65535.0)}
        if self.has_engine:
            impossible["engine_rpm"] = (8191.875, -1.0)
        if self.has_active:
            impossible["active"] = (2.0, 3.0)
        if self.rng.random() < 0.2:
            impossible["boom_stroke"] = (1.02, -0.01)
        channel = self.rng.choice([*impossible])
        for _ in range(self.rng.randint(1, 3)):
            wrong = {channel: self.rng.choice(impossible[channel])}
            self.row(self.rng.choice((SECOND, 2 * SECOND)), self.rng.choice((True, None)), wrong)
            if self.rng.random() < 0.3:
                channel = self.rng.choice([*impossible])
        if self.rng.random() < 0.7:
            good = {
                "oil_c": 210.0,
                "pressure_bar": -10.0,
                "engine_rpm": 8031.875,
                "active": 1.0,
                "boom_stroke": 1.0,
            }
            recovered = {name: good[name] for name in impossible if self.rng.random() < 0.8}
            self.row(SECOND, True, recovered)
            if self.rng.random() < 0.4:
                wrong = {channel: self.rng.choice(impossible[channel])}
                left = seconds(self.settings["sensor_fault"]["off_delay_s"]) + self.offset_ns()
                self.row(max(1, left), True, wrong)
                self.row(SECOND, True, recovered)

    def frozen_channel(self) -> None:
        """Keep the value of one channel for about the limit, then change it or not."""
        channel, value, other = self.rng.choice((("oil_c", 55.0, 55.5), ("pressure_bar", 130.0, 131.0)))
        if channel == "oil_c" and not self.has_oil:
            return
        left = seconds(self.settings["sensor_fault"]["frozen_s"]) + self.offset_ns()
        self.row(SECOND, False, {channel: other})
        self.row(SECOND, True, {channel: value})
        while left > 0:
            step = min(left, self.rng.choice((SECOND, 2 * SECOND, 2 * SECOND)))
            left -= step
            self.row(step, True, {channel: self.rng.choice((other, value)) if left == 0 else value})

    def change_engine_speed(self) -> None:
        self.rpm = self.rng.choice((400.0, math.nextafter(400.0, 500.0), 399.875, 1800.0, 1800.0, 1800.0))
        if self.has_engine:
            self.row(SECOND, None, {"engine_rpm": self.rpm})

    def duplicate_or_late_row(self) -> None:
        """Write a duplicate with other values, or a late row: neither counts."""
        back = self.rng.choice((0, 0, 1, SECOND))
        values = {
            "oil_c": 99.0,
            "tool_x_m": 50.0,
            "tool_y_m": 50.0,
            "pressure_bar": 150.0,
            "engine_rpm": 1500.0,
        }
        if self.has_active:
            values["active"] = float(self.rng.random() < 0.5)
        carried = {name for row in self.rows for name in row.values}
        values = {name: value for name, value in values.items() if name in carried}
        self.rows.append(Row(self.now - back, values))


def write_rows(rng: random.Random, settings: Settings, start: int, count: int) -> list[Row]:
    """Return `count` rows of one hammer: random sequences, one after the other."""
    writer = RowWriter(rng, settings, start)
    sequences = {
        writer.random_rows: 4,
        writer.spot_at_limit: 4,
        writer.pause: 2,
        writer.move_tool: 2,
        writer.hot_oil: 3,
        writer.cool_oil: 2,
        writer.cold_oil: 2,
        writer.unknown_oil: 1,
        writer.silence: 1,
        writer.impossible_values: 2,
        writer.frozen_channel: 1,
        writer.change_engine_speed: 1,
        writer.duplicate_or_late_row: 2,
    }
    while len(writer.rows) < count:
        rng.choices([*sequences], [*sequences.values()])[0]()
    return writer.rows[:count]
