"""Who was signed on to a hammer, and which tool it had, at the instants that a step of the core may ask for."""

from collections.abc import Iterable
from typing import Any

from strikewatch.core.events import Event
from strikewatch.core.instant import Instant
from strikewatch.engine import fitted_tool, operator_on_duty
from strikewatch.engine.as_of import History


class Attribution:
    """One hammer's operators and tools: those of its record of `STATE`, and every change noted since."""

    def __init__(self, state: Any) -> None:
        self._people = History(state[operator_on_duty.NAME])
        self._tools = History(state[fitted_tool.NAME])

    def note(self, events: Iterable[Event]) -> None:
        """Take events into account, in the order in which they take effect."""
        for event in events:
            operator_on_duty.note(self._people, event)
            fitted_tool.note(self._tools, event)

    def on_duty(self, instant: Instant) -> str | None:
        """The operator at an instant, or None."""
        return operator_on_duty.still_on(self._people.at(instant), instant)

    def fitted(self, instant: Instant) -> str | None:
        """The tool at an instant, or None."""
        found = self._tools.at(instant)
        return found[0] if found else None

    def keep(self, state: Any, onsets: Iterable[Instant], starts: Iterable[Instant], upto: Instant) -> None:
        """Write down what later steps may ask for: who was on at these onsets, who and with which tool at these starts,
        and everything from the watermark on."""
        starts = [instant for instant in starts if instant <= upto]
        onsets = [instant for instant in onsets if instant <= upto]
        self._people.keep(
            state[operator_on_duty.NAME], [*onsets, *starts, upto], upto - operator_on_duty.BURST
        )
        self._tools.keep(state[fitted_tool.NAME], starts, upto)
