"""Who was at the controls at an instant: guide/faults.md, "Whose fault"."""

from collections.abc import Sequence

from strikewatch.model.events import Event
from strikewatch.model.instant import seconds


def in_order(events: Sequence[Event], *kinds: str) -> list[Event]:
    """The events of these kinds by the time they take effect; equal times in the order given."""
    return sorted((event for event in events if event.kind in kinds), key=lambda event: event.effective)


def operator_at(events: Sequence[Event], instant: int, *, sign_on_h: float = 14.0) -> str | None:
    """The last sign-on at or before the instant, unless signed off since or 14 h ago."""
    last = None
    for event in in_order(events, "sign_on", "sign_off"):
        if event.effective <= instant:
            last = event
    if last is None or last.kind == "sign_off" or instant - last.effective >= seconds(sign_on_h * 3600):
        return None
    operator: str = last.fields["operator"]
    return operator
