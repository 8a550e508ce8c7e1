"""What a conversion of logger files made: rows, losses, and what was passed over or assumed."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from strikewatch.core import instant
from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.errors import InputError
from strikewatch.service.recorded.replay import Loss
from strikewatch.sources.logs import Account

_REASONS: Final = {
    "time": "without a usable instant",
    "hammer": "without a hammer",
    "fields": "with too few or too many fields",
    "unreadable": "that cannot be read",
    "damaged": "of a damaged part, and all after it",
    "event": "with an event that cannot be read",
}


@dataclass(slots=True)
class HammerRows:
    """What was written of a hammer."""

    n: int = 0
    first: Instant = 0
    last: Instant = 0


@dataclass(slots=True)
class Converted:
    """A recorded shift that was made of logger files, and what was left out."""

    folder: Path
    records: int = 0
    hammers: dict[Key, HammerRows] = field(default_factory=dict)
    channels: list[str] = field(default_factory=list)
    events: int = 0
    losses: list[Loss] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def all_notes(self) -> Iterator[str]:
        """Yield what was left out, passed over and assumed."""
        for loss in self.losses:
            yield f"{loss.place}: left out {'; '.join(loss.reasons)}"
        yield from self.notes

    def record(self) -> dict[str, Any]:
        """Return the outcome for programs."""
        return {
            "folder": str(self.folder),
            "records": self.records,
            "channels": self.channels,
            "events": self.events,
            "hammers": [
                {
                    "site": site,
                    "hammer": hammer,
                    "rows": own.n,
                    "from": instant.text(own.first),
                    "to": instant.text(own.last),
                }
                for (site, hammer), own in sorted(self.hammers.items())
            ],
            "notes": list(self.all_notes()),
        }


def losses_of(path: Path, account: Account) -> list[Loss]:
    """Return what was lost of a file."""
    reasons = [
        f"{n:,} of {account.records:,} records {_REASONS[reason]}, the first: {account.left_out.examples[reason]}"
        for reason, n in account.left_out.count.items()
    ]
    shares = [account.left_out.count.total() / max(1, account.records)]
    for channel, n in account.bad_values.count.items():
        every = n + account.values[channel]
        shares.append(n / every)
        reasons.append(
            f"{n:,} of {every:,} values of `{channel}` unreadable, the first: {account.bad_values.examples[channel]}"
        )
    return [Loss(str(path), 100 * max(shares), tuple(reasons))] if reasons else []


def notes_of(path: Path, account: Account) -> Iterator[str]:
    """Yield what the table does not ask for, and what was assumed."""
    found = ", ".join(f"{n:,} {what}" for what, n in account.passed_over.most_common(8) if n)
    if found:
        more = len([n for n in account.passed_over.values() if n]) - 8
        yield f"{path.name}: passed over {found}" + (f" and {more} more kinds" if more > 0 else "")
    if account.twice:
        yield (
            f"{path.name}: {account.twice:,} times lie in the hour that occurs twice when the clocks are put back: "
            "assigned by their order, to its first pass until the times step back"
        )


def note_order(
    path: Path,
    extent: Mapping[Key, tuple[Instant, Instant]],
    ends: dict[Key, tuple[Path, Instant]],
    result: Converted,
) -> None:
    """Note a file that begins before the one before it ends; its rows are sorted in."""
    for key, (first, last) in extent.items():
        if key in ends and first < ends[key][1]:
            before, end = ends[key]
            result.notes.append(
                f"{path.name} begins at {instant.text(first)}, before {before.name} ends at {instant.text(end)}: "
                f"the rows of {key[1]} were put in order of time"
            )
        if key not in ends or last > ends[key][1]:
            ends[key] = path, last


def refuse_empty(logs: Sequence[Path], result: Converted, accounts: Sequence[Account]) -> None:
    """Raise InputError, as no row was found."""
    names = ", ".join(str(path) for path in logs)
    why = "; ".join(reason for loss in result.losses for reason in loss.reasons)
    why = why or "; ".join(result.notes) or f"{sum(account.records for account in accounts)} records"
    raise InputError(f"{names}: no row can be used: {why}")
