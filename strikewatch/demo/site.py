"""The invented site fennick-hollow: three places, six hammers on their carriers, each with its own feed, and operators.

The operators are pseudonyms with habits; nobody real is meant.
"""

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from strikewatch.demo.feed import Feed
from strikewatch.demo.instrumented import InstrumentedWorker
from strikewatch.demo.machine import Arm, Breaker, Equipment
from strikewatch.demo.work import Operator, Plan, Worker

SITE: Final = "fennick-hollow"

BENCH: Final = (120.0, 340.0)
"""Hard-rock quarry bench with its oversize pile; metres on the site's grid."""
PAD: Final = (260.0, 210.0)
"""Demolition pad."""
TRENCH: Final = (410.0, 95.0)
"""Service trench."""


@dataclass(frozen=True, slots=True)
class Hammer:
    """One hammer, its carrier, where it works, how it is built and what its gateway sends."""

    name: str
    carrier: str
    center_m: tuple[float, float]
    breaker: Breaker = field(default_factory=Breaker)
    feed: Feed = field(default_factory=Feed)
    equipment: Equipment | None = None


HAMMERS: Final[dict[str, Hammer]] = {
    hammer.name: hammer
    for hammer in (
        Hammer("HB-01", "EX-21", BENCH, Breaker(145.0, 622.0), Feed(pose=True)),
        Hammer("HB-02", "EX-22", BENCH, Breaker(152.0, 547.0), Feed(averaged=True, engine=False, pose=True)),
        Hammer("HB-03", "EX-23", PAD, Breaker(138.0, 683.0), Feed(form="senml")),
        Hammer(
            "HB-04", "EX-24", PAD, Breaker(160.0, 493.0, vents=True), Feed(averaged=True, form="imperial")
        ),
        Hammer(
            "HB-05", "EX-25", TRENCH, Breaker(150.0, 736.0), Feed(step_s=0.2, averaged=True, active=False)
        ),
        Hammer(
            "HB-06", "EX-26", TRENCH, Breaker(132.0, 811.0), Feed(step_s=0.5, averaged=True, form="instant")
        ),
    )
}


INSTRUMENTED: Final[dict[str, Hammer]] = {
    hammer.name: replace(
        hammer,
        feed=replace(hammer.feed, pose=not angles, angles=angles, instrumented=True),
        equipment=equipment,
    )
    for hammer, angles, equipment in (
        (HAMMERS["HB-01"], False, Equipment()),
        (HAMMERS["HB-06"], True, Equipment(press_bar=(46.0, 58.0), water_m=(-0.5, -0.2))),
    )
}
"""Two hammers on instrumented carriers; that of HB-06 sends the angles of its arm, no tool position."""

PROFILES: Final[Mapping[str, Mapping[str, Mapping[str, float | str]]]] = {
    "HB-01": {
        "low_engine_speed": {"rated_rpm": 1800.0},
        "feed_force": {"low_bar": 40.0, "high_bar": 95.0},
        "prying": {"limit_bar": 90.0},
    },
    "HB-06": {
        "grease": {"method": "automatic"},
        "low_engine_speed": {"rated_rpm": 1800.0},
        "feed_force": {"low_bar": 32.0, "high_bar": 80.0},
        "prying": {"limit_bar": 75.0},
        "pose": {
            "boom_m": Arm().boom_m,
            "stick_m": Arm().stick_m,
            "tool_m": Arm().tool_m,
            "boom_foot_m": 0.0,
        },
    },
}
"""Settings of single hammers for the detection of misuse, as from their operator's manuals; invented."""

SITE_SETTINGS: Final = {
    "names": {SITE: "Fennick Hollow"},
    "carriers": {hammer.name: hammer.carrier for hammer in HAMMERS.values()},
    "contact": {"role": "shift foreman", "phone": "+44 1632 960101"},
    "contacts": {name: {"role": "trench foreman", "phone": "+44 1632 960102"} for name in ("HB-05", "HB-06")},
}
"""Names and whom to call. The numbers are of the range that Ofcom sets aside for drama (01632 960000 to 960999)."""


OPERATORS: Final[dict[str, Operator]] = {
    operator.name: operator
    for operator in (
        Operator("op-11", "careful in everything", skate_share=0.0),
        Operator(
            "op-12", "stays in one spot until the stone gives in", linger_share=0.18, spot_s=(9.0, 14.0)
        ),
        Operator("op-13", "never greases on time", grease_after_h=None),
        Operator(
            "op-14",
            "fires before the tool is set, hot oil or not",
            early_share=0.14,
            cools_at_c=None,
            reposition_s=(2.4, 5.0),
        ),
        Operator(
            "op-15", "lets the tool fall through the broken stone", through_share=0.14, skate_share=0.01
        ),
        Operator(
            "op-16", "quick between spots, works on in hot oil", reposition_s=(1.0, 1.7), cools_at_c=None
        ),
        Operator(
            "op-17",
            "turns the engine down to save fuel",
            flow=0.82,
            skate_share=0.0,
            grease_after_h=1.9,
            strokes=(6, 5),
        ),
        Operator(
            "op-18",
            "new, a little of everything, forgets to sign off",
            linger_share=0.06,
            early_share=0.05,
            through_share=0.05,
            grease_after_h=2.4,
            strokes=(8, 9),
            checks=False,
            signs_off=False,
        ),
    )
}


def random_source(seed: int, hammer: str, part: int) -> np.random.Generator:
    """Return the random generator of a hammer and part, the same on every machine."""
    return np.random.default_rng([seed, zlib.crc32(hammer.encode()), part])


def hammer_of(plan: Plan) -> Hammer:
    """The hammer of a plan, instrumented if the plan has equipment."""
    return (HAMMERS if plan.equipment is None else INSTRUMENTED)[plan.hammer]


def simulate(plan: Plan, seed: int) -> Worker:
    """Simulate the day of a plan; the worker returned has its timeline, events and labels."""
    rng = random_source(seed, plan.hammer, 0)
    worker = (
        Worker(plan, rng)
        if plan.equipment is None
        else InstrumentedWorker(plan, plan.equipment, rng, random_source(seed, plan.hammer, 2))
    )
    worker.run()
    return worker
