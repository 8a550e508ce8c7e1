"""The draft of a table: what was recognised becomes lines of TOML, with what is to be confirmed in comments. Pure."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from strikewatch.core.channels import CHANNELS
from strikewatch.core.printable import printable
from strikewatch.sources.mapping.authoring.guess import (
    Guess,
    guess_channels,
    numbers_of,
    split_words,
    unit_note,
    words_of,
)
from strikewatch.sources.mapping.authoring.heard import ID, are_hammers, step_form

_HAMMER_KEYS: Final = (
    "hammer",
    "breaker",
    "device",
    "dev",
    "machine",
    "unit",
    "asset",
    "serial",
    "sn",
    "imei",
    "id",
)


def quoted(text: str) -> str:
    """Return a TOML string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


@dataclass(slots=True)
class Draft:
    """The lines of a proposed table, in TOML: before its channels, its channels, and notes at the end."""

    head: list[str] = field(default_factory=list)
    channels: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def text(self, name: str, heading: str) -> str:
        """Return the table in TOML; commented out if no channel was recognised."""
        lines = [f"[{name}]  # {heading}", *filter(None, self.head), f"[{name}.channels]", *self.channels]
        notes = self.notes
        if not self.channels:
            lines = [f"#{line}" for line in lines]
            notes = [
                "no channel was recognised: choose from the values below and remove the first # above; if they are "
                f"events (a sign-on, an hour meter), write [{name}.event] in place of channels",
                *notes,
            ]
        return "\n".join([*lines, *(f"# {note}" for note in notes)])

    def add_time(self, time: tuple[str, str, bool] | None) -> None:
        if time is None:
            self.head.append(
                'time = "arrival"  # no time was recognised; if there is one: { at = "@.…", as = "iso" }'
            )
            return
        path, form, needs_zone = time
        zone = ', zone = "UTC"' if needs_zone else ""
        note = "  # confirm the zone, such as Europe/Vienna" if needs_zone else ""
        self.head.append(f"time = {{ at = {quoted(path)}, as = {quoted(form)}{zone} }}{note}")

    def add_step(self, values: Mapping[str, Sequence[Any]]) -> None:
        if any(isinstance(one, list) for seen in values.values() for one in seen):
            for place, seen in values.items():
                if (form := step_form(place)) and not any(isinstance(each, list) for each in seen):
                    self.head.append(f"step = {{ at = {quoted(place)}, as = {quoted(form)} }}  # confirm")
                    return
            self.notes.append(
                "for arrays of values: step_s = 0.1, the time between two of them, above [….channels]"
            )

    def add_hammer(
        self, pattern: Sequence[str], values: Mapping[str, Sequence[Any]], *, device: bool = False
    ) -> None:
        """Say where the hammer is, unless the topic does."""
        if "{hammer}" in pattern:
            return
        in_payload = [place for place, seen in values.items() if are_hammers(seen)]
        if in_payload and not device:
            self.head.append(f"hammer = {quoted(in_payload[0])}")
            return
        if device or "{device}" in pattern:
            self.head.append('hammer = "{device}"')
            self.notes.append(
                'devices that are no hammer ids: hammers = { "device" = "HB-01" }, above [….channels]'
            )
            return
        for place, seen in values.items():
            last = (words_of(place) or [""])[-1]
            if last in _HAMMER_KEYS and all(
                isinstance(each, str | int) and ID.fullmatch(str(each)) for each in seen
            ):
                self.head.append(f"hammer = {quoted(place)}  # confirm: heard {printable(str(seen[0]), 40)}")
                return
        self.head.append('hammer = "HB-01"  # confirm: neither topic nor payload seems to name one')

    def add_channels(
        self,
        values: Mapping[str, Sequence[Any]],
        key: str,
        context: str = "",
        hold_s: float | None = None,
    ) -> None:
        """Propose channels for values by name or path, and list the other values."""
        guesses = guess_channels(
            {f"{context} {place}" if context else place: seen for place, seen in values.items()}
        )
        for place, seen in values.items():
            guess = guesses.get(f"{context} {place}" if context else place)
            if guess is None:
                example = next((each for each in seen if each is not None), None)
                heard = printable(json.dumps(example, ensure_ascii=False, default=str), 60)
                if any(word in ("hours", "smh", "hourmeter", "meter", "hmr") for word in words_of(place)):
                    heard += '; an hour meter is an event: event = "hours", meter_h'
                self.notes.append(f"not used: {printable(place, 80)}, heard {heard}")
            else:
                self.channels.append(_channel(guess, place, seen, key, hold_s))


def _channel(guess: Guess, place: str, seen: Sequence[Any], key: str, hold_s: float | None) -> str:
    keys = [f"{key} = {quoted(place)}"]
    if CHANNELS[guess.channel].boolean:
        on, off, unknown = split_words(seen)
        note = ""
        if on or off or unknown:
            plain = any(isinstance(each, bool) for each in seen)
            on_words = [*([True] if plain else []), *(on or unknown[:1])]
            off_words = [*([False] if plain else []), *(off or unknown[not on :])] or ["OFF"]
            keys += [f"on = {json.dumps(on_words, ensure_ascii=False)}"]
            keys += [f"off = {json.dumps(off_words, ensure_ascii=False)}"]
            note = (
                f"confirm the words; heard {', '.join(printable(each, 30) for each in (*on, *off, *unknown))}"
            )
    else:
        note = unit_note(guess.channel, guess.unit, numbers_of(seen))
        if guess.unit:
            keys.append(f"unit = {quoted(guess.unit)}")
    if hold_s is not None:
        keys.append(f"hold_s = {hold_s}")
    line = (
        f"{guess.channel} = {{ {', '.join(keys)} }}"
        if len(keys) > 1 or key == "named"
        else (f"{guess.channel} = {quoted(place)}")
    )
    return f"{line}  # {note}" if note else line
