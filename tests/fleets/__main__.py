"""`python -m tests.fleets [--reviews N] [--seed S]`: how often a review is right, on fleets with known true rates."""

import argparse
from collections.abc import Mapping

from rich.console import Console
from rich.table import Table

from tests.fleets.fleet import Fleet
from tests.fleets.score import score

ALIKE = {
    "5 operators, 2 per hour": Fleet(5, 2.0),
    "20 operators, 0.5 per hour": Fleet(20, 0.5),
    "20 operators, 2 per hour": Fleet(20, 2.0),
    "20 operators, 5 per hour": Fleet(20, 5.0),
    "40 operators, 2 per hour": Fleet(40, 2.0),
    "20, faults in bursts of 2": Fleet(20, 2.0, burst=2.0),
    "20, bad days (spread 0.5)": Fleet(20, 2.0, bad_days=0.5),
    "5, bad days (spread 0.5)": Fleet(5, 2.0, bad_days=0.5),
}
DIFFERENT = {
    "5 operators, spread 0.3": Fleet(5, 2.0, spread=0.3),
    "20 operators, spread 0.3": Fleet(20, 2.0, spread=0.3),
    "20 operators, spread 0.6": Fleet(20, 2.0, spread=0.6),
    "40 operators, 0.5 per hour, spread 0.5": Fleet(40, 0.5, spread=0.5),
    "20, spread 0.4, bad days (spread 0.5)": Fleet(20, 2.0, spread=0.4, bad_days=0.5),
}
THREEFOLD = {
    f"{n} operators, {rate:g} per hour{words}": Fleet(n, rate, threefold=True, **more)
    for words, more in ({"": {}, ", bad days": {"bad_days": 0.5}}).items()
    for n in (5, 20, 40)
    for rate in (0.25, 0.5, 1.0, 2.0)
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--reviews", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="fleets whose table's name has this in it")
    options = parser.parse_args()
    console = Console(width=120, highlight=False)
    for title, fleets, columns in (
        ("Nobody differs", ALIKE, ("limits", "shrunk", "little", "dispersion", "singled")),
        ("Everybody differs", DIFFERENT, ("limits", "shrunk", "little", "dispersion")),
        (
            "One with 3 times the rate, 10 firing hours",
            THREEFOLD,
            ("limits", "dispersion", "innocent", "found"),
        ),
    ):
        if options.only in title:
            console.print(_table(title, fleets, columns, options.reviews, options.seed))


def _table(
    title: str, fleets: Mapping[str, Fleet], columns: tuple[str, ...], reviews: int, seed: int
) -> Table:
    table = Table(
        title=f"{title}: {reviews} reviews each", title_justify="left", box=None, padding=(0, 2, 0, 0)
    )
    table.add_column("fleet")
    for column in columns:
        table.add_column(column, justify="right")
    for name, fleet in fleets.items():
        found = score(fleet, reviews, seed)
        values = [(column, getattr(found, column)) for column in columns]
        table.add_row(
            name, *(f"{value:.2f}" if key == "dispersion" else f"{value:.1%}" for key, value in values)
        )
    return table


main()
