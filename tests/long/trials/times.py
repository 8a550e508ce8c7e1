"""The trial of clocks: each way in which one can be wrong, and the nights in which they change."""

from collections.abc import Iterator
from pathlib import Path

from tests.long.trials import clocks, summer_time
from tests.long.trials.trial import Line, Trial, broken

SECONDS = 1200
"""Of work, in each."""
SHORT_S = 200
NIGHT_S = 200


def run(folder: Path, scale: float) -> Iterator[Line]:
    whole = scale > 0.5
    for k, one in enumerate(clocks.TRIALS):
        if whole or k in clocks.SHORT:
            tried = clocks.outcome(folder / f"{k}", one, SECONDS if whole else SHORT_S)
            figures = {
                "alerts": tried.alerts,
                "deliveries": tried.deliveries,
                "rows_not_used": tried.not_used,
            }
            yield Line(
                one.name,
                figures,
                broken(
                    missing=tried.missing,
                    unexpected=tried.unexpected,
                    different=tried.different,
                    historic_wrong=tried.historic_wrong,
                    deliveries_that_good_clocks_would_not_have_made_so=tried.elsewhere,
                    trial_without_alerts=tried.alerts == 0,
                ),
            )
    for night in summer_time.NIGHTS:
        told = summer_time.outcome(folder / night.start[:10], night, NIGHT_S)
        yield Line(
            f"{night.name}, the machine's clock back 1 h for a while",
            {"raised": told.raised, "within_the_hours": told.wanted, "told": told.told},
            broken(told_at_wrong_hours=told.wrong, hours_that_tell_nothing=not 0 < told.wanted < told.raised),
        )


TRIAL = Trial(
    "clocks",
    "Whatever clock is wrong: no alert missing or false, each as fresh, told as with good clocks, hours by the wall.",
    run,
    0.1,
)
