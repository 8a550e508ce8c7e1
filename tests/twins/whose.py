"""Who was at the controls at an instant: guide/faults.md, "Whose fault"."""

from collections.abc import Sequence

from strikewatch.core.events import Event
from strikewatch.core.instant import seconds


def in_order(events: Sequence[Event], *kinds: str) -> list[Event]:
    """The events of these kinds by the time they take effect; equal times in the order given."""
    return sorted((event for event in events if event.kind in kinds), key=lambda event: event.effective)


def sign_ons(events: Sequence[Event]) -> list[tuple[int, str | None]]:
    """(from when, who) of each change that counts; the last of several at one instant. From a ninth within 0.6 s on it
    is nobody, until one comes with fewer before it."""
    found: dict[int, str | None] = {}
    for event in in_order(events, "sign_on", "sign_off"):
        at = event.effective
        others = {since: who for since, who in found.items() if since != at}
        if sum(at - seconds(0.6) < since for since in others) < 8:
            found[at] = event.fields.get("operator")
        elif found and found[max(found)] is not None:
            found[at] = None
    return sorted(found.items())


def operator_at(events: Sequence[Event], instant: int, *, sign_on_h: float = 14.0) -> str | None:
    """The last sign-on at or before the instant, unless signed off since or 14 h ago."""
    past = [(since, who) for since, who in sign_ons(events) if since <= instant]
    if not past or instant - past[-1][0] >= seconds(sign_on_h * 3600):
        return None
    return past[-1][1]


def tool_at(events: Sequence[Event], instant: int) -> str | None:
    """The tool of the last change at or before the instant."""
    fitted = [event for event in in_order(events, "tool_change") if event.effective <= instant]
    return fitted[-1].fields["tool"] if fitted else None
