"""Grouping: faults of the hammer's position that overlap are one alert with several causes.

Firing at an angle and at the end of a stroke gives one alert with two causes. The first cause raised gives the alert
its name and its onset; others join while it is active. A cause is known to have ended `pause` after its end. The alert
ends with its last cause, and clears at the latest of their ends.
"""

from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any, Final

import numpy as np

from strikewatch.core.finding import Fault, Finding, FindingStep
from strikewatch.core.instant import Instant
from strikewatch.detectors.registry import DETECTORS

CAUSES: Final = tuple(
    detector for detector in DETECTORS if detector.faults and detector.faults[0].position_cause
)
"""The detectors that are grouped; causes raised at one instant are taken in this order. Another one would change the
size of STATE: raise VERSION then."""
IS_CAUSE: Final = np.array([detector in CAUSES for detector in DETECTORS])
"""Of each detector, whether it is grouped."""
_FAULTS: Final = tuple(detector.faults[0] for detector in CAUSES)
_NAMES: Final = tuple(fault.name for fault in _FAULTS)
_POSITION_CAUSES: Final = tuple(fault.position_cause for fault in _FAULTS if fault.position_cause)
_WIDTH: Final = max(len(fault.evidence) for fault in _FAULTS)

NAME: Final = "position"
"""Name of this part in saved states; renaming it would lose them."""
VERSION: Final = 1
STATE: Final = np.dtype(
    [
        ("on", "<i8"),  # active causes, one bit each
        ("causes", "<i8"),  # all causes of the alert, one bit each; 0: there is no alert
        ("first", "<i8"),  # the cause that names the alert
        ("onset", "<i8"),
        ("end", "<i8"),  # the latest end of the causes that have ended
        ("numbers", "<f8", (len(CAUSES), _WIDTH)),  # evidence of each cause, over all its spells
        ("before", "<f8", (len(CAUSES), _WIDTH)),  # the same, of the spells that have ended
    ]
)


def group(record: Any, findings: Sequence[Finding], pauses: Sequence[int]) -> Iterator[Finding]:
    """Combine one hammer's findings of the grouped detectors; `record` of STATE is updated in place.

    `findings`: all of one step. `pauses`: for each cause, how long after its end the end is known, ns.
    """

    def order(finding: Finding) -> tuple[Instant, int, int]:
        k = _NAMES.index(finding.kind.name)
        if finding.step == "raised":
            return finding.at, 1, k
        if finding.step == "standing":
            return finding.at, 3, k
        at = finding.at + pauses[k]
        return at, 2 if at == finding.onset else 0, k

    active: Finding | None = None
    for finding in sorted(findings, key=order):
        k = _NAMES.index(finding.kind.name)
        record["numbers"][k] = _combine(k, record["before"][k], finding.numbers)
        if finding.step == "raised":
            causes_before = int(record["causes"])
            if not causes_before:
                record["first"], record["onset"], record["end"] = k, finding.onset, finding.onset
            record["on"] |= 1 << k
            record["causes"] |= 1 << k
            if int(record["causes"]) != causes_before:
                yield _grouped(record, finding, "escalated" if causes_before else "raised", finding.at)
        elif finding.step == "standing":
            active = finding
        else:
            record["on"] &= ~(1 << k)
            record["before"][k] = record["numbers"][k]
            record["end"] = max(int(record["end"]), finding.at)
            if not record["on"]:
                yield _grouped(record, finding, "cleared", int(record["end"]))
                for name in STATE.names or ():
                    record[name] = 0
    if active is not None:
        yield _grouped(record, active, "standing", active.at)


def _combine(k: int, before: Any, numbers: Sequence[float]) -> tuple[float, float]:
    """Return the evidence of a cause over all its spells: total seconds, and the other number combined."""
    return float(before[0]) + numbers[0], float(_POSITION_CAUSES[k].combine(float(before[1]), numbers[1]))


def _grouped(record: Any, finding: Finding, step: FindingStep, at: Instant) -> Finding:
    mask, first = int(record["causes"]), int(record["first"])
    numbers: tuple[float, ...]
    if mask == 1 << first:
        kind, numbers = _FAULTS[first], tuple(record["numbers"][first].tolist())
    else:
        kind = _combined_fault(first, mask)
        parts = (record["numbers"][k].tolist()[: len(_FAULTS[k].evidence)] for k in _indices(mask))
        numbers = (*(number for part in parts for number in part), float(mask))
    return finding._replace(kind=kind, step=step, onset=int(record["onset"]), at=at, numbers=numbers)


def _indices(mask: int) -> list[int]:
    return [k for k in range(len(CAUSES)) if mask >> k & 1]


def _causes(mask: float) -> str:
    return " ".join(_NAMES[k] for k in _indices(int(mask)))


@cache
def _combined_fault(first: int, mask: int) -> Fault:
    causes = _indices(mask)
    evidence = {name: render for k in causes for name, render in _FAULTS[k].evidence.items()}
    summary = f"Fired in one position {', '.join(_POSITION_CAUSES[k].phrase for k in causes)}; place the carrier anew."
    return Fault(_NAMES[first], summary, {**evidence, "causes": _causes}, of_operator=True)
