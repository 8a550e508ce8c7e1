"""The trial of clocks: each way in which a clock can be wrong, and hours of the week in the nights of a time change."""

from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from strikewatch.core import instant
from strikewatch.core.instant import SECOND, Instant
from strikewatch.sinks.filter import Filter
from tests.long.trials import clocks
from tests.long.trials.trial import Line, Part, Trial, broken
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
    sent: int
    wrong: int


def night_outcome(folder: Path, night: Night, seconds: int, seed: int = 1) -> Outcome:
    """Run the same work with hours of the week and a clock that jumps, and without hours and with a good clock."""
    start = instant.parse(night.start)
    bent = clocks.Trial("bent", machine=clocks.between(0.3, 0.7, -clocks.HOUR_S), start=night.start)
    coming = clocks.sent(bent, start, seconds, seed)
    full = clocks.run_with_good_clocks(night.start, seconds, seed, storms=False)
    filters = Filter(hours=tuple(f"Sun {begin}-{end}" for begin, end in night.hours))
    night_run = clocks.run(folder, bent, coming, start, seconds, NO_STORMS, filters=filters, zone=ZONE)
    wanted: dict[str, Instant] = {}
    for at, step, body in full.deliveries:
        if step != "cleared" and _shown(at, night):
            wanted.setdefault(body["id"], at)
    raised = {body["id"]: at for at, step, body in night_run.deliveries if step == "raised"}
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


SECONDS = 1200
"""Duration of the work in each trial, s."""
SHORT_S = 200
NIGHT_S = 200


def parts(scale: float) -> dict[str, Part]:
    """The clocks of the machine, of the hammers, and nights of a time change; runs with good clocks are shared."""
    whole = scale > 0.5
    made: dict[str, Part] = {}
    for bent in ("machine", "hammer"):
        chosen = [
            one
            for k, one in enumerate(clocks.TRIALS)
            if (whole or k in clocks.SHORT) and (bent == "hammer") == (one.hammer is not clocks.right)
        ]
        made[bent] = partial(_bent, trials=chosen, seconds=SECONDS if whole else SHORT_S)
    return {**made, "nights": _nights}


def _bent(folder: Path, trials: Sequence[clocks.Trial], seconds: int) -> Iterator[Line]:
    for k, one in enumerate(trials):
        tried = clocks.outcome(folder / f"{k}", one, seconds)
        yield Line(
            one.name,
            {"alerts": tried.alerts, "deliveries": tried.deliveries, "rows_not_used": tried.not_used},
            broken(
                missing=tried.missing,
                unexpected=tried.unexpected,
                different=tried.different,
                historic_wrong=tried.historic_wrong,
                deliveries_that_differ_from_those_with_good_clocks=tried.elsewhere,
                trial_without_alerts=tried.alerts == 0,
            ),
        )


def _nights(folder: Path) -> Iterator[Line]:
    for night in NIGHTS:
        result = night_outcome(folder / night.start[:10], night, NIGHT_S)
        yield Line(
            f"{night.name}, the machine's clock back 1 h for a while",
            {"raised": result.raised, "within_the_hours": result.wanted, "sent": result.sent},
            broken(
                sent_at_wrong_hours=result.wrong,
                hours_that_filter_nothing=not 0 < result.wanted < result.raised,
            ),
        )


TRIAL = Trial(
    "clocks",
    "with any wrong clock: no alert missing or false, each as fresh and delivered as with good clocks",
    parts,
    0.1,
)
