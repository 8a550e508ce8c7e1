"""What cannot be found, or is less certain, on which hammers, and why, in a line for all that are alike."""

from collections.abc import Iterator, Mapping, Sequence

from strikewatch.core.batch import Key

Reasons = Mapping[Key, Sequence[tuple[str, str]]]
"""(fault, why) of each, by hammer."""


def not_watched(silent: Reasons) -> Iterator[str]:
    """What cannot be found."""
    return _lines("Not watched on", silent)


def less_certain(uncertain: Reasons) -> Iterator[str]:
    """What is inferred only."""
    return _lines("Less certain on", uncertain)


def _lines(head: str, of: Reasons) -> Iterator[str]:
    alike: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for (_, hammer), reasons in sorted(of.items()):
        alike.setdefault(tuple(reasons), []).append(hammer)
    for reasons, hammers in alike.items():
        if reasons:
            faults = ", ".join(f"{fault} ({why})" for fault, why in reasons)
            yield f"{head} {', '.join(hammers)}: {faults}."
