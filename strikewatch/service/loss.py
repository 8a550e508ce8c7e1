"""What a replay leaves out of each recording, and how much of that is too much."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from strikewatch.core import instant
from strikewatch.errors import InputError
from strikewatch.sources.recordings import Shift
from strikewatch.sources.recordings.merge import Merge
from strikewatch.sources.recordings.table import ROW_REASONS

ALLOWED: Final = 1.0
"""Percent of a recording's rows, or of a column's values, that may be left out unless more is allowed."""


@dataclass(frozen=True, slots=True)
class Loss:
    """What of one recording was not used. True repeats of a row are none of it: nothing is lost with them."""

    place: str
    percent: float
    """Of its rows, or of the values of the column that lost most."""
    reasons: tuple[str, ...]


def losses(merge: Merge) -> list[Loss]:
    """What each recording of a replay lost, where it lost anything."""
    return [loss for s, shift in enumerate(merge.shifts) if (loss := _of(shift, merge, s)).reasons]


def check(found: Iterable[Loss], allowed_percent: float) -> None:
    """Raises InputError that names every recording which lost more than is allowed, and why."""
    over = [loss for loss in found if loss.percent > allowed_percent]
    if not over:
        return
    lines = [f"{loss.place}: {loss.percent:.2g} % would be lost: {'; '.join(loss.reasons)}" for loss in over]
    enough = min(100.0, math.ceil(max(loss.percent for loss in over) * 10) / 10)
    lines[-1] += (
        f". More than {allowed_percent:g} % of a recording is not left out unasked: mend it, or go on without with "
        f"--allow-loss {enough:g} (in Python: allow_loss={enough:g})"
    )
    raise InputError("\n".join(lines))


def _of(shift: Shift, merge: Merge, s: int) -> Loss:
    rows = {reason: n for reason in ROW_REASONS if (n := shift.bad[reason])}
    said = [
        f"{n} of {shift.total} rows {ROW_REASONS[reason]}, the first: {_inside(shift, reason)}"
        for reason, n in rows.items()
    ]
    lost = sum(rows.values())
    if n := merge.wrong_clock[s]:
        lost += n
        key, at = merge.first_wrong[s]
        said.append(
            f"{n} of {shift.total} rows from a wrong clock, the first: {key[1]} at {instant.text(at)}; "
            "correct their times"
        )
    shares = [lost / max(1, shift.total)]
    for name, n in shift.cells.items():
        shares.append(n / (n + shift.read[name]))
        said.append(
            f"{n} of {n + shift.read[name]} values of `{name}` unreadable, the first: {_inside(shift, name)}"
        )
    return Loss(shift.place, 100 * max(shares), tuple(said))


def _inside(shift: Shift, reason: str) -> str:
    return shift.examples.get(reason, "unknown").removeprefix(f"{shift.place}: ")
