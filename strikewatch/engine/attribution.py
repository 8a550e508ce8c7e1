"""Attribution: which operator was on duty and which tool was fitted, at the instants that one step may ask for."""

from collections.abc import Iterable
from typing import Any

from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.engine import fitted_tool, operator_on_duty
from strikewatch.engine.as_of import AsOfLookup


class Attribution:
    """The operators and tools of one hammer: those in its record of `STATE`, and every change applied since."""

    def __init__(self, state: Any) -> None:
        self._operators = AsOfLookup(state[operator_on_duty.NAME])
        self._tools = AsOfLookup(state[fitted_tool.NAME])

    def apply(self, events: Iterable[Event]) -> None:
        """Apply events in the order in which they take effect."""
        for event in events:
            operator_on_duty.apply_event(self._operators, event)
            fitted_tool.apply_event(self._tools, event)

    def on_duty(self, instant: Instant) -> str | None:
        """Return the operator at an instant, or None."""
        return operator_on_duty.unless_expired(self._operators.find(instant), instant)

    def tool_at(self, instant: Instant) -> str | None:
        """Return the tool fitted at an instant, or None."""
        found = self._tools.find(instant)
        return found[0] if found else None

    def save_to(
        self, state: Any, onsets: Iterable[Instant], starts: Iterable[Instant], watermark: Instant
    ) -> None:
        """Write to a record of `STATE` what later steps may ask for.

        That is the operator at each of `onsets` (faults under way), the operator and the tool at each of `starts`
        (bouts and stretches under way), and everything from the watermark on.
        """
        starts = [instant for instant in starts if instant <= watermark]
        onsets = [instant for instant in onsets if instant <= watermark]
        self._operators.save_to(
            state[operator_on_duty.NAME],
            [*onsets, *starts, watermark],
            watermark - operator_on_duty.BURST_WINDOW,
        )
        self._tools.save_to(state[fitted_tool.NAME], starts, watermark)
