"""Writes the rows of one hammer, act by act, with instants on, just before and just after every limit.

What a feed carries it carries from its first row on, so that "has this channel" never changes midway.
"""

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from strikewatch.core.instant import SECOND, seconds
from tests.twins.knowledge import Row

HAIR = (0, 0, 0, 1, -1, 1000, -1000, 1_000_000, -1_000_000)
"""Nanoseconds on either side of a limit; on the limit itself most often."""

Settings = Mapping[str, Mapping[str, Any]]


@dataclass
class Pen:
    """Writes the rows of one hammer, one act after the other."""

    dice: random.Random
    settings: Settings
    now: int
    rows: list[Row] = field(default_factory=list)
    oil: str = "warm"

    def __post_init__(self) -> None:
        dice = self.dice
        self.has_active = dice.random() < 0.75
        self.null_active = not self.has_active and dice.random() < 0.3
        self.has_pressure = not self.has_active or dice.random() < 0.7
        self.has_oil = dice.random() < 0.85
        self.has_pose = dice.random() < 0.75
        self.has_engine = dice.random() < 0.5
        self.place = (float(dice.randint(-3, 3)), float(dice.randint(-3, 3)))
        self.bar = 140.0
        self.rpm = 1800.0
        self.row(0, firing=dice.random() < 0.5, all_sampled=True)

    # One row.

    def row(
        self,
        step_ns: int,
        firing: bool | None,
        exactly: Mapping[str, float] | None = None,
        *,
        all_sampled: bool = False,
    ) -> None:
        """`firing` None: not sampled. `exactly` overrides single channels."""
        dice = self.dice
        self.now += step_ns
        values: dict[str, float] = {}
        if self.has_active:
            values["active"] = math.nan if firing is None else float(firing)
            if dice.random() < 0.06:
                values["pressure_bar"] = dice.choice((59.0, 60.0, 80.0))
        elif self.null_active:
            values["active"] = math.nan
        if self.has_pressure and (all_sampled or not self.has_active or dice.random() < 0.6):
            values["pressure_bar"] = self.pressure(firing)
        if self.has_oil and (all_sampled or dice.random() < 0.35):
            values["oil_c"] = self.temperature()
        if self.has_pose and (all_sampled or dice.random() < 0.3):
            values["tool_x_m"], values["tool_y_m"] = self.place
            if dice.random() < 0.2:
                del values[dice.choice(("tool_x_m", "tool_y_m"))]
        if self.has_engine and (all_sampled or dice.random() < 0.5):
            values["engine_rpm"] = self.rpm
        values |= exactly or {}
        if not all_sampled:
            for channel in [*values]:
                if dice.random() < 0.03:
                    values[channel] = math.nan
        self.rows.append(Row(self.now, values))

    def pressure(self, firing: bool | None) -> float:
        if firing is None:
            return math.nan if self.has_active or self.dice.random() < 0.5 else 70.0
        if self.dice.random() < 0.5:
            return self.bar if firing else 10.0
        if firing:
            return self.dice.choice((80.0, 80.0, math.nextafter(80.0, 0.0), 60.0, 141.5, 150.0))
        return self.dice.choice((math.nextafter(60.0, 0.0), 59.0, 0.0, 60.0))

    def temperature(self) -> float:
        around = {
            "cold": (20.0, 20.0, math.nextafter(20.0, 0.0), 19.0, 5.0, 15.0, 15.0, 15.0),
            "warm": (45.0, 45.0, 60.5, 78.0, 79.0),
            "hot": (80.0, math.nextafter(80.0, 90.0), 80.5, 81.0, 82.0, 82.0, 78.5, 84.0),
            "severe": (85.0, math.nextafter(85.0, 90.0), 86.0, 81.0, 78.0, math.nextafter(78.0, 90.0)),
            "stuck": (81.0,),
        }
        return self.dice.choice(around[self.oil])

    # Acts.

    def hair(self) -> int:
        return self.dice.choice(HAIR)

    def some_step(self) -> int:
        """A step of any size, the hold times and gap limits among them."""
        dice = self.dice
        kind = dice.random()
        if kind < 0.45:
            return dice.choice((1, 10, 100, 250, 500, 999)) * SECOND // 1000
        if kind < 0.85:
            return dice.choice((1, 2, 2, 3)) * SECOND + self.hair()
        if kind < 0.97:
            return dice.choice((5, 10, 10, 20)) * SECOND + self.hair()
        return dice.choice((30, 60)) * SECOND + self.hair()

    def wander(self) -> None:
        for _ in range(self.dice.randint(2, 8)):
            self.row(self.some_step(), self.dice.choice((True, True, False, None)))

    def fire_for(self, total_ns: int, last: Mapping[str, float] | None = None) -> None:
        """Unbroken firing of exactly this length, then a row that ends it or not."""
        left = total_ns
        self.row(self.dice.choice((100_000_000, SECOND)), True)
        while left > 0:
            step = min(left, self.dice.choice((500_000_000, SECOND, 1_900_000_000, 2 * SECOND)))
            left -= step
            self.row(step, self.dice.random() < 0.3 if left == 0 else True, last if left == 0 else None)

    def exact_spot(self) -> None:
        """After a sure pause: firing of exactly the limit or twice it, in one piece or around a pause."""
        limit = seconds(self.settings["same_spot"]["limit_s"])
        self.row(SECOND, False)
        self.row(5 * SECOND, False)
        total = limit * self.dice.choice((1, 1, 2)) + self.hair()
        if self.dice.random() < 0.4:
            self.fire_for(total // 2)
            self.pause()
            self.fire_for(total - total // 2)
        else:
            self.fire_for(total, self.jump())

    def pause(self) -> None:
        """No firing for the reposition time exactly, or a hair more or less; the tool may move."""
        length = seconds(self.settings["same_spot"]["reposition_s"])
        if self.dice.random() < 0.4:
            length //= 2
        self.row(500_000_000, False)
        if self.dice.random() < 0.5:
            self.row(length // 2, False, self.jump())
            length -= length // 2
        self.row(length + self.hair(), True)

    def jump(self) -> dict[str, float]:
        """A move of exactly the radius, the next number above it, or well beyond; sometimes none."""
        if not self.has_pose or self.dice.random() < 0.3:
            return {}
        x, y = self.place
        dx, dy = self.dice.choice(
            ((0.5, 0.0), (0.0, -0.5), (0.3, 0.4), (0.5001, 0.0), (0.75, 0.0), (3.0, -2.0))
        )
        if self.dice.random() < 0.2:
            dx = math.nextafter(x + 0.5, math.inf) - x
        if self.dice.random() < 0.7:
            self.place = (float(self.dice.randint(-3, 3)), float(self.dice.randint(-3, 3)))
        return {"tool_x_m": x + dx, "tool_y_m": y + dy}

    def move(self) -> None:
        for _ in range(self.dice.randint(1, 4)):
            self.row(
                self.dice.choice((100_000_000, SECOND)), self.dice.choice((True, True, False)), self.jump()
            )

    def heat(self) -> None:
        """The on-delay to the nanosecond: above the limit, then a telling value at its end."""
        self.oil = self.dice.choice(("hot", "severe", "hot", "stuck"))
        if not self.has_oil:
            return
        delay = seconds(self.settings["hot_oil"]["on_delay_s"])
        self.row(
            SECOND, self.dice.choice((True, False, None)), {"oil_c": self.dice.choice((80.0, 79.0, 77.0))}
        )
        self.row(SECOND, True, {"oil_c": self.dice.choice((81.0, math.nextafter(80.0, 90.0)))})
        if delay > 60 * SECOND or self.dice.random() < 0.3:
            half = 60 * SECOND + self.hair() if delay > 60 * SECOND else max(1, delay // 2)
            self.row(half, None, {"oil_c": self.dice.choice((80.0, 86.0, 81.0))})
            delay -= half
        self.row(max(1, delay + self.hair()), True, {"oil_c": self.dice.choice((80.0, 81.0, 85.5))})
        for _ in range(self.dice.randint(0, 4)):
            self.row(self.dice.choice((SECOND, 2 * SECOND)), self.dice.choice((True, False)))

    def cool(self) -> None:
        if self.has_oil:
            self.row(
                SECOND, None, {"oil_c": self.dice.choice((78.0, 78.0, math.nextafter(78.0, 90.0), 77.0))}
            )
        self.oil = self.dice.choice(("warm", "cold", "warm"))

    def chill(self) -> None:
        """Firing in cold oil for exactly the time, and a value at its end."""
        self.oil = "cold"
        if not self.has_oil:
            return
        self.row(SECOND, False, {"oil_c": self.dice.choice((20.0, 25.0))})
        self.row(SECOND, False, {"oil_c": math.nextafter(20.0, 0.0)})
        total = seconds(self.settings["cold_oil"]["cold_firing_s"]) + self.hair()
        self.fire_for(total, {"oil_c": self.dice.choice((20.0, 19.0))})

    def forget_oil(self) -> None:
        """More than a minute without an oil value, in steps that keep all else known."""
        for _ in range(self.dice.choice((7, 8, 13))):
            self.row(
                self.dice.choice((5, 9, 10)) * SECOND, self.dice.choice((True, False)), {"oil_c": math.nan}
            )

    def silence(self) -> None:
        working = 0.0 if self.dice.random() < 0.2 else self.rpm
        last = {"engine_rpm": working} if self.has_engine and self.dice.random() < 0.7 else {}
        self.row(self.dice.choice((SECOND, 10 * SECOND, 10 * SECOND + 1)), self.dice.random() < 0.5, last)
        self.row(self.dice.choice((30, 30, 30, 60)) * SECOND + self.hair(), self.dice.choice((True, False)))

    def breakage(self) -> None:
        """Impossible values and not-available codes, on one channel or two, mended late or not at all."""
        impossible = {"oil_c": (-41.0, 1735.0, math.inf, 210.5), "pressure_bar": (-10.5, 601.0, 65535.0)}
        if self.has_engine:
            impossible["engine_rpm"] = (8191.875, -1.0)
        if self.has_active:
            impossible["active"] = (2.0, 3.0)
        if self.dice.random() < 0.2:
            impossible["boom_stroke"] = (1.02, -0.01)
        channel = self.dice.choice([*impossible])
        for _ in range(self.dice.randint(1, 3)):
            wrong = {channel: self.dice.choice(impossible[channel])}
            self.row(self.dice.choice((SECOND, 2 * SECOND)), self.dice.choice((True, None)), wrong)
            if self.dice.random() < 0.3:
                channel = self.dice.choice([*impossible])
        if self.dice.random() < 0.7:
            good = {
                "oil_c": 210.0,
                "pressure_bar": -10.0,
                "engine_rpm": 8031.875,
                "active": 1.0,
                "boom_stroke": 1.0,
            }
            mended = {name: good[name] for name in impossible if self.dice.random() < 0.8}
            self.row(SECOND, True, mended)
            if self.dice.random() < 0.4:
                wrong = {channel: self.dice.choice(impossible[channel])}
                left = seconds(self.settings["sensor_fault"]["off_delay_s"]) + self.hair()
                self.row(max(1, left), True, wrong)
                self.row(SECOND, True, mended)

    def freeze(self) -> None:
        """One channel says the same for exactly as long as it takes, then another value, or the same."""
        channel, value, other = self.dice.choice((("oil_c", 55.0, 55.5), ("pressure_bar", 130.0, 131.0)))
        if channel == "oil_c" and not self.has_oil:
            return
        left = seconds(self.settings["sensor_fault"]["frozen_s"]) + self.hair()
        self.row(SECOND, False, {channel: other})
        self.row(SECOND, True, {channel: value})
        while left > 0:
            step = min(left, self.dice.choice((SECOND, 2 * SECOND, 2 * SECOND)))
            left -= step
            self.row(step, True, {channel: self.dice.choice((other, value)) if left == 0 else value})

    def rev(self) -> None:
        self.rpm = self.dice.choice((400.0, math.nextafter(400.0, 500.0), 399.875, 1800.0, 1800.0, 1800.0))
        if self.has_engine:
            self.row(SECOND, None, {"engine_rpm": self.rpm})

    def again(self) -> None:
        """A duplicate with other values, or a row that comes too late: neither counts."""
        back = self.dice.choice((0, 0, 1, SECOND))
        values = {
            "oil_c": 99.0,
            "tool_x_m": 50.0,
            "tool_y_m": 50.0,
            "pressure_bar": 150.0,
            "engine_rpm": 1500.0,
        }
        if self.has_active:
            values["active"] = float(self.dice.random() < 0.5)
        carried = {name for row in self.rows for name in row.values}
        values = {name: value for name, value in values.items() if name in carried}
        self.rows.append(Row(self.now - back, values))


def written(dice: random.Random, settings: Settings, start: int, budget: int) -> list[Row]:
    """The rows of one hammer: acts in random order until the budget is spent."""
    pen = Pen(dice, settings, start)
    acts = {
        pen.wander: 4,
        pen.exact_spot: 4,
        pen.pause: 2,
        pen.move: 2,
        pen.heat: 3,
        pen.cool: 2,
        pen.chill: 2,
        pen.forget_oil: 1,
        pen.silence: 1,
        pen.breakage: 2,
        pen.freeze: 1,
        pen.rev: 1,
        pen.again: 2,
    }
    while len(pen.rows) < budget:
        dice.choices([*acts], [*acts.values()])[0]()
    return pen.rows[:budget]
