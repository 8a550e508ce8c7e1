"""Hours of the week across the night in which the clocks change, both ways, while the machine's clock jumps as well.

What an endpoint with hours is told must be what one without is told, as far as the clocks on the site's walls (by
pandas) showed those hours.
"""

from pathlib import Path
from typing import NamedTuple

import pandas as pd

from strikewatch.core import instant
from strikewatch.core.instant import SECOND, Instant
from strikewatch.sinks.filter import Filter
from tests.long.trials import clocks
from tests.service.processor import NO_STORMS

ZONE = "Europe/Dublin"


class Night(NamedTuple):
    """When the work begins, two minutes before the change, and the hours (from, to) by the clocks on the walls."""

    name: str
    start: str
    hours: tuple[tuple[str, str], ...]


NIGHTS = (
    Night("clocks go forward", "2026-03-29T00:58:00Z", (("00:59", "01:05"), ("02:01", "02:02"))),
    Night("clocks go back", "2026-10-25T00:58:00Z", (("01:59", "02:05"), ("01:01", "01:02"))),
)


class Outcome(NamedTuple):
    night: str
    raised: int
    wanted: int
    told: int
    wrong: int


def outcome(folder: Path, night: Night, seconds: int, seed: int = 1) -> Outcome:
    """The same work told by the hours with a clock that jumps, and in full with a good one."""
    start = instant.parse(night.start)
    bent = clocks.Trial("bent", machine=clocks.between(0.3, 0.7, -clocks.HOUR_S), start=night.start)
    coming = clocks.sent(bent, start, seconds, seed)
    full = clocks.calm(night.start, seconds, seed, storms=False)
    filters = Filter(hours=tuple(f"Sun {begin}-{end}" for begin, end in night.hours))
    told = clocks.run(folder, bent, coming, start, seconds, NO_STORMS, filters=filters, zone=ZONE)
    wanted: dict[str, Instant] = {}
    for at, step, body in full.deliveries:
        if step != "cleared" and _shown(at, night):
            wanted.setdefault(body["id"], at)
    raised = {body["id"]: at for at, step, body in told.deliveries if step == "raised"}
    return Outcome(
        night.name,
        sum(step == "raised" for _, step, _ in full.deliveries),
        len(wanted),
        len(raised),
        len(set(raised.items()) ^ set(wanted.items())),
    )


def _shown(at: Instant, night: Night) -> bool:
    local = pd.Timestamp(at // SECOND, unit="s", tz="UTC").tz_convert(ZONE)
    return local.day_name() == "Sunday" and any(
        begin <= local.strftime("%H:%M") < end for begin, end in night.hours
    )
