"""One position, one event: what is wrong about how the hammer is held is told once, with all its causes.

Fired at an angle and at the end of a stroke is one event with two causes. The first of them that is raised names it and
gives its onset; while it stands, others join. A cause is over when its spell's end is decided, `pause` after that end,
and the event is over with the last of them: cleared at the latest of their ends.
"""

from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any, Final

import numpy as np

from strikewatch.core.finding import Fault, Finding, FindingStep
from strikewatch.core.instant import Instant
from strikewatch.detectors import end_of_stroke, off_square, over_side

CAUSES: Final = (end_of_stroke.DETECTOR, over_side.DETECTOR, off_square.DETECTOR)
"""In this order where several are raised at one instant."""
_FAULTS: Final = tuple(detector.faults[0] for detector in CAUSES)
_NAMES: Final = tuple(fault.name for fault in _FAULTS)
_PHRASES: Final = (
    "{firing_end_s:.1f} s at the end of a stroke ({cylinders})",
    "{firing_over_side_s:.1f} s up to {from_track_max_deg:.0f}° off the line of the tracks",
    "{firing_off_square_s:.1f} s up to {tilt_max_deg:.0f}° off square",
)
_WIDTH: Final = max(len(fault.evidence) for fault in _FAULTS)

NAME: Final = "position"
VERSION: Final = 1
STATE: Final = np.dtype(
    [
        ("on", "<i8"),  # causes that are not over, one bit each
        ("causes", "<i8"),  # and all of the event; 0: there is none
        ("first", "<i8"),
        ("onset", "<i8"),
        ("end", "<i8"),  # the latest end of those that are over
        ("numbers", "<f8", (len(CAUSES), _WIDTH)),  # the evidence of each, of all its spells
        ("before", "<f8", (len(CAUSES), _WIDTH)),  # of those that are over
    ]
)


def concerns(finding: Finding) -> bool:
    return finding.kind.name in _NAMES


def gather(event: Any, findings: Sequence[Finding], pauses: Sequence[int]) -> Iterator[Finding]:
    """What a hammer's findings of these causes come to, its record of STATE carried on.

    `findings`: all of one step. `pauses`: of each cause, ns.
    """

    def decided(finding: Finding) -> tuple[Instant, int, int]:
        k = _NAMES.index(finding.kind.name)
        if finding.step == "raised":
            return finding.at, 1, k
        if finding.step == "standing":
            return finding.at, 3, k
        at = finding.at + pauses[k]
        return at, 2 if at == finding.onset else 0, k

    last: Finding | None = None
    for finding in sorted(findings, key=decided):
        k = _NAMES.index(finding.kind.name)
        event["numbers"][k] = _together(k, event["before"][k], finding.numbers)
        if finding.step == "raised":
            joins = int(event["causes"])
            if not joins:
                event["first"], event["onset"], event["end"] = k, finding.onset, finding.onset
            event["on"] |= 1 << k
            event["causes"] |= 1 << k
            if int(event["causes"]) != joins:
                yield _told(event, finding, "escalated" if joins else "raised", finding.at)
        elif finding.step == "standing":
            last = finding
        else:
            event["on"] &= ~(1 << k)
            event["before"][k] = event["numbers"][k]
            event["end"] = max(int(event["end"]), finding.at)
            if not event["on"]:
                yield _told(event, finding, "cleared", int(event["end"]))
                for name in STATE.names or ():
                    event[name] = 0
    if last is not None:
        yield _told(event, last, "standing", last.at)


def _together(k: int, before: Any, numbers: Sequence[float]) -> tuple[float, float]:
    """The seconds of all spells of a cause, and the worst of them; of strokes, every cylinder."""
    worst = float(int(before[1]) | int(numbers[1])) if k == 0 else max(float(before[1]), numbers[1])
    return float(before[0]) + numbers[0], worst


def _told(event: Any, finding: Finding, step: FindingStep, at: Instant) -> Finding:
    mask, first = int(event["causes"]), int(event["first"])
    numbers: tuple[float, ...]
    if mask == 1 << first:
        kind, numbers = _FAULTS[first], tuple(event["numbers"][first].tolist())
    else:
        kind = _joint(first, mask)
        told = (event["numbers"][k].tolist()[: len(_FAULTS[k].evidence)] for k in _among(mask))
        numbers = (*(number for one in told for number in one), float(mask))
    return finding._replace(kind=kind, step=step, onset=int(event["onset"]), at=at, numbers=numbers)


def _among(mask: int) -> list[int]:
    return [k for k in range(len(CAUSES)) if mask >> k & 1]


def _causes(mask: float) -> str:
    return " ".join(_NAMES[k] for k in _among(int(mask)))


@cache
def _joint(first: int, mask: int) -> Fault:
    among = _among(mask)
    evidence = {name: render for k in among for name, render in _FAULTS[k].evidence.items()}
    summary = f"Fired in one position {', '.join(_PHRASES[k] for k in among)}; place the carrier anew."
    return Fault(_NAMES[first], summary, {**evidence, "causes": _causes}, of_operator=True)
