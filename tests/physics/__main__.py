"""`python -m tests.physics [--model M] [--hammers N] [--minutes M] [--first SEED]`: the table of the guide to
blank firing, on hammers that nothing was tuned on."""

import argparse
from collections.abc import Mapping

from rich.console import Console
from rich.table import Table

from tests.physics.score import MODELS, Case, Score, brier, calibration, calibration_error, measure_all

HELD_OUT = 1200
"""Seeds below this were looked at while the detector was made; of `waveform`, none."""

CASES = (
    *(Case(name) for name in ("500Hz", "20Hz", "10Hz_mean", "10Hz", "5Hz", "2Hz", "1Hz_mean", "1Hz")),
    Case("1Hz_mean", engine_rpm=False),
    *(
        Case(name, engine_rpm=rpm, throttle_change=True)
        for name in ("10Hz_mean", "10Hz", "1Hz_mean")
        for rpm in (True, False)
    ),
)


def _accuracy(title: str, found: Mapping[Case, Score]) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), title=title)
    left = ("feed", "engine speed", "throttle")
    for name in (*left, "spells", "precision", "recall", "F1", "false/h", "onset s"):
        table.add_column(name, justify="left" if name in left else "right")
    rows: list[tuple[tuple[str, str, str], Score]] = [
        (
            (
                case.feed,
                "known" if case.engine_rpm else "not known",
                "changed" if case.throttle_change else "steady",
            ),
            one,
        )
        for case, one in found.items()
    ]
    rows.append((("all", "", ""), sum(found.values(), start=Score())))
    for head, one in rows:
        table.add_row(
            *head,
            str(one.found + one.missed),
            f"{one.precision:.3f}",
            f"{one.recall:.3f}",
            f"{one.f1:.3f}",
            f"{one.false_per_firing_h:.2f}",
            f"{one.onset_error_s:.2f}",
        )
    return table


def _calibration(found: Mapping[Case, Score]) -> Table:
    """By kind of feed: what a score is worth."""
    table = Table(box=None, padding=(0, 2, 0, 0), title="what a score is worth")
    for name in ("kind of feed", "suspicions", "mean score", "real", "Brier", "calibration error"):
        table.add_column(name, justify="left" if name == "kind of feed" else "right")
    kinds = list(dict.fromkeys(case.kind for case in found))
    for kind in (*kinds, "all"):
        pairs = [p for case, one in found.items() if kind in (case.kind, "all") for p in one.pairs]
        for mean, real, n in calibration(pairs, (0.0, 1.0)):
            table.add_row(
                kind,
                str(n),
                f"{mean:.2f}",
                f"{real:.2f}",
                f"{brier(pairs):.3f}",
                f"{calibration_error(pairs):.3f}",
            )
    return table


def _bands(found: Mapping[Case, Score]) -> Table:
    pairs = sum((one.pairs for one in found.values()), start=Score().pairs)
    scores = Table(box=None, padding=(0, 2, 0, 0), title="by score, all feeds together")
    for name in ("mean score", "real", "suspicions"):
        scores.add_column(name, justify="right")
    for mean, real, n in calibration(pairs, (0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)):
        scores.add_row(f"{mean:.2f}", f"{real:.2f}", str(n))
    return scores


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--model", choices=MODELS, default="waveform")
    parser.add_argument("--hammers", type=int, default=16)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--first", type=int, default=HELD_OUT)
    options = parser.parse_args()
    cases = [case._replace(model=options.model) for case in CASES]
    found = measure_all(cases, range(options.first, options.first + options.hammers), options.minutes)
    console = Console(highlight=False, width=110)
    console.print(
        _accuracy(f"{options.model}: {options.hammers} hammers, {options.minutes:g} min each", found)
    )
    console.print(_calibration(found))
    console.print(_bands(found))


if __name__ == "__main__":
    main()
