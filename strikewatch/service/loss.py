"""The data that a replay leaves out of each recording, and the limit for it."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from strikewatch.core import instant
from strikewatch.errors import InputError
from strikewatch.sources.recordings import Shift
from strikewatch.sources.recordings.merge import Merge
from strikewatch.sources.recordings.table import ROW_REASONS

DEFAULT_ALLOWED_PERCENT: Final = 1.0
"""Percent of a recording's rows, or of a column's values, that may be left out by default."""


@dataclass(frozen=True, slots=True)
class Loss:
    """The unused data of one recording. Exact repetitions of a row do not count, since they lose nothing."""

    place: str
    percent: float
    """Of its rows, or of the values in the column that lost most."""
    reasons: tuple[str, ...]


def losses(merge: Merge) -> list[Loss]:
    """Return the loss of each recording that lost anything."""
    return [loss for s, shift in enumerate(merge.shifts) if (loss := _loss_of(shift, merge, s)).reasons]


def check(found: Iterable[Loss], allowed_percent: float) -> None:
    """Raise InputError if a recording lost more than allowed; it names all of these and the reasons."""
    over = [loss for loss in found if loss.percent > allowed_percent]
    if not over:
        return
    lines = [f"{loss.place}: {loss.percent:.2g} % would be lost: {'; '.join(loss.reasons)}" for loss in over]
    enough = min(100.0, math.ceil(max(loss.percent for loss in over) * 10) / 10)
    lines[-1] += (
        f". More than {allowed_percent:g} % of a recording would be left out: fix it, or accept the loss with "
        f"--allow-loss {enough:g} (in Python: allow_loss={enough:g})"
    )
    raise InputError("\n".join(lines))


def _loss_of(shift: Shift, merge: Merge, s: int) -> Loss:
    rows = {reason: n for reason in ROW_REASONS if (n := shift.bad[reason])}
    reasons = [
        f"{n} of {shift.total} rows {ROW_REASONS[reason]}, the first: {_example(shift, reason)}"
        for reason, n in rows.items()
    ]
    lost = sum(rows.values())
    if n := merge.wrong_clock[s]:
        lost += n
        key, at = merge.first_wrong[s]
        reasons.append(
            f"{n} of {shift.total} rows from a wrong clock, the first: {key[1]} at {instant.text(at)}; "
            "correct their times"
        )
    shares = [lost / max(1, shift.total)]
    for name, n in shift.cells.items():
        shares.append(n / (n + shift.read[name]))
        reasons.append(
            f"{n} of {n + shift.read[name]} values of `{name}` unreadable, the first: {_example(shift, name)}"
        )
    return Loss(shift.place, 100 * max(shares), tuple(reasons))


def _example(shift: Shift, reason: str) -> str:
    return shift.examples.get(reason, "unknown").removeprefix(f"{shift.place}: ")
