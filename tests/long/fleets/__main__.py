"""`python -m tests.long.fleets [--reviews N] [--seed S]`: how often a review is right, for known true rates."""

import argparse
from collections.abc import Mapping

from rich.console import Console

from tests.long.fleets.fleet import Fleet
from tests.long.fleets.score import score

ALIKE = {
    "5 operators, 2 per hour": Fleet(5, 2.0),
    "20 operators, 0.5 per hour": Fleet(20, 0.5),
    "20 operators, 5 per hour": Fleet(20, 5.0),
    "40 operators, 2 per hour": Fleet(40, 2.0),
    "20 operators, bursts of 2": Fleet(20, 2.0, burst=2.0),
    "20 operators, bad days": Fleet(20, 2.0, bad_days=0.5),
    "20 operators, 5 per hour, bad days": Fleet(20, 5.0, bad_days=0.5),
    "5 operators, bad days": Fleet(5, 2.0, bad_days=0.5),
}
DIFFERENT = {
    "5 operators, 2 per hour": Fleet(5, 2.0, spread=0.4),
    "20 operators, 2 per hour": Fleet(20, 2.0, spread=0.4),
    "40 operators, 0.5 per hour": Fleet(40, 0.5, spread=0.4),
    "20 operators, bad days": Fleet(20, 2.0, spread=0.4, bad_days=0.5),
}
THREEFOLD = {
    f"{n} operators, {rate:g} per hour{words}": Fleet(n, rate, threefold=True, bad_days=bad_days)
    for n, rate, words, bad_days in (
        *((n, rate, "", 0.0) for n in (5, 20, 40) for rate in (0.25, 0.5, 1.0, 2.0)),
        *((20, rate, ", bad days", 0.5) for rate in (1.0, 2.0, 5.0)),
    )
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--reviews", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="fleets whose table's name has this in it")
    options = parser.parse_args()
    console = Console(width=120, highlight=False)
    for title, fleets, columns in (
        ("Nobody differs", ALIKE, ("limits", "limits_often", "shrunk", "little", "dispersion", "singled")),
        ("Everybody differs", DIFFERENT, ("limits", "limits_often", "shrunk", "little", "dispersion")),
        (
            "One with 3 times the rate, 10 firing hours",
            THREEFOLD,
            ("limits_often", "shrunk", "dispersion", "innocent", "found"),
        ),
    ):
        if options.only in title:
            _show(console, f"{title}: {options.reviews} reviews each", columns, fleets, options)


def _show(
    console: Console,
    title: str,
    columns: tuple[str, ...],
    fleets: Mapping[str, Fleet],
    options: argparse.Namespace,
) -> None:
    """A table, line by line as it is found."""
    console.print(title, style="bold")
    console.print(f"{'':36}" + "".join(f"{column:>14}" for column in columns))
    for name, fleet in fleets.items():
        found = score(fleet, options.reviews, options.seed)
        values = [(column, getattr(found, column)) for column in columns]
        console.print(
            f"{name:36}"
            + "".join(
                f"{value:>14.2f}" if key == "dispersion" else f"{value:>14.1%}" for key, value in values
            )
        )


main()
