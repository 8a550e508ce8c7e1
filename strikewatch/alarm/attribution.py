"""Who was signed on to a hammer, and which tool it had, at the instants that a step of the core may ask for."""

from collections.abc import Iterable
from typing import Any

from strikewatch.alarm import crew, tool
from strikewatch.alarm.roster import History
from strikewatch.model.events import Event
from strikewatch.model.instant import Instant


class Attribution:
    """One hammer's operators and tools: those of its record of `STATE`, and every change noted since."""

    def __init__(self, state: Any) -> None:
        self._people = History(state[crew.NAME])
        self._tools = History(state[tool.NAME])

    def note(self, events: Iterable[Event]) -> None:
        """Take events into account, in the order in which they take effect."""
        for event in events:
            crew.note(self._people, event)
            tool.note(self._tools, event)

    def on_duty(self, instant: Instant) -> str | None:
        """The operator at an instant, or None."""
        return crew.still_on(self._people.at(instant), instant)

    def fitted(self, instant: Instant) -> str | None:
        """The tool at an instant, or None."""
        found = self._tools.at(instant)
        return found[0] if found else None

    def keep(self, state: Any, onsets: Iterable[Instant], starts: Iterable[Instant], upto: Instant) -> None:
        """Write down what later steps may ask for: who was on at these onsets, who and with which tool at these starts,
        and everything from the watermark on."""
        starts = [instant for instant in starts if instant <= upto]
        onsets = [instant for instant in onsets if instant <= upto]
        self._people.keep(state[crew.NAME], [*onsets, *starts, upto], upto - crew.BURST)
        self._tools.keep(state[tool.NAME], starts, upto)
