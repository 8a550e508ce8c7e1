"""`python -m tests.physics [--hammers N] [--minutes M] [--first SEED]`: README's table, on hammers not tuned on."""

import argparse

from rich.console import Console
from rich.table import Table

from tests.physics.measured import Case, over
from tests.physics.score import Score, calibration

HELD_OUT = 1200
"""Seeds below this were looked at while the detector was made."""

CASES = (
    *(Case(name) for name in ("500Hz", "20Hz", "10Hz_mean", "10Hz", "5Hz", "2Hz", "1Hz_mean")),
    *(
        Case(name, engine_rpm=rpm, throttle_change=True)
        for name in ("10Hz_mean", "10Hz")
        for rpm in (True, False)
    ),
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hammers", type=int, default=30)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--first", type=int, default=HELD_OUT)
    options = parser.parse_args()
    found = over(CASES, range(options.first, options.first + options.hammers), options.minutes)
    console = Console(highlight=False)
    table = Table(
        box=None, padding=(0, 2, 0, 0), title=f"{options.hammers} hammers, {options.minutes:g} min each"
    )
    for name in (
        "feed",
        "engine speed",
        "throttle",
        "spells",
        "precision",
        "recall",
        "F1",
        "false/h",
        "onset s",
    ):
        table.add_column(name, justify="left" if name in ("feed", "engine speed", "throttle") else "right")
    for case, one in found.items():
        table.add_row(
            case.feed,
            "known" if case.engine_rpm else "not known",
            "changed" if case.throttle_change else "steady",
            str(one.found + one.missed),
            f"{one.precision:.3f}",
            f"{one.recall:.3f}",
            f"{one.f1:.3f}",
            f"{one.false_per_firing_h:.2f}",
            f"{one.onset_error_s:.2f}",
        )
    console.print(table)
    pairs = sum((one.pairs for one in found.values()), start=Score().pairs)
    scores = Table(box=None, padding=(0, 2, 0, 0), title="what a score is worth, all feeds together")
    for name in ("mean score", "real", "suspicions"):
        scores.add_column(name, justify="right")
    for mean, real, n in calibration(pairs, (0.0, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)):
        scores.add_row(f"{mean:.2f}", f"{real:.2f}", str(n))
    console.print(scores)


if __name__ == "__main__":
    main()
