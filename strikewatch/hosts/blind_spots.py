"""What cannot be found on which hammers, and why, in a line for all that are alike."""

from collections.abc import Iterator, Mapping, Sequence

from strikewatch.model.batch import Key


def not_watched(silent: Mapping[Key, Sequence[tuple[str, str]]]) -> Iterator[str]:
    """`silent`: (fault, why) of each, by hammer."""
    alike: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for (_, hammer), reasons in sorted(silent.items()):
        alike.setdefault(tuple(reasons), []).append(hammer)
    for reasons, hammers in alike.items():
        if reasons:
            faults = ", ".join(f"{fault} ({why})" for fault, why in reasons)
            yield f"Not watched on {', '.join(hammers)}: {faults}."
