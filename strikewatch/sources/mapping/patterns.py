"""Topics and names with `{word}` in them: what is there is kept under the word, and may be used elsewhere."""

import re
from collections.abc import Callable, Mapping
from typing import Any, Final

from strikewatch.sources.mapping.paths import MISSING, Frame, compile_path, is_path

MAX_LENGTH: Final = 512
_WORD: Final = re.compile(r"\{([a-z][a-z0-9_]*)\}")
_LEVEL: Final = "/"
_NAME: Final = "/.:"


class PatternError(ValueError):
    """A topic or name pattern is wrong; the message names the remedy."""


def words_in(text: str) -> list[str]:
    """Return the words that a text has in braces; none in a path."""
    return [] if is_path(text) else _WORD.findall(text)


def _expression(text: str, separators: str) -> str:
    """Return a regular expression for text with words, which have none of the separators.

    Of several words, all but the last end at the first character that follows them, so that matching is linear.
    """
    parts = _WORD.split(text)
    literals, words = parts[::2], parts[1::2]
    if any("{" in each or "}" in each for each in literals):
        raise PatternError(f"{text!r}: a word in braces has small letters, digits and _, like {{hammer}}")
    made = [re.escape(literals[0])]
    for k, (word, literal) in enumerate(zip(words, literals[1:], strict=True)):
        last = k == len(words) - 1
        if not last and not literal:
            raise PatternError(f"{text!r}: two words need a character between them")
        excluded = re.escape(separators if last else separators + literal[0])
        made.append(f"(?P<{word}>[^{excluded}]+){re.escape(literal)}")
    return "".join(made)


def _refuse_twice(text: str) -> None:
    words = _WORD.findall(text)
    if twice := next((word for word in words if words.count(word) > 1), None):
        raise PatternError(f"{text!r}: {{{twice}}} occurs twice")


class Topic:
    """A topic pattern: the filter to subscribe to, and the words that its levels give."""

    def __init__(self, text: str) -> None:
        """Parse a pattern. Raises PatternError."""
        if not text or len(text) > MAX_LENGTH or "\0" in text:
            raise PatternError(f"{text[:60]!r}: must be a topic of 1 to {MAX_LENGTH} characters")
        if text.startswith("$share/"):
            raise PatternError(f"{text!r}: shared subscriptions do not keep the order of messages")
        levels = text.split("/")
        if "#" in levels[:-1]:
            raise PatternError(f"{text!r}: # is allowed only at the end (MQTT 5.0, 4.7.1.2)")
        _refuse_twice(text)
        self.text = text
        self.words = tuple(_WORD.findall(text))
        self.filter = "/".join("+" if "{" in level else level for level in levels)
        expressions = []
        for level in levels:
            if level == "#":
                continue
            if level != "+" and ("+" in level or "#" in level):
                raise PatternError(f"{text!r}: + and # stand alone in their level (MQTT 5.0, 4.7.1)")
            expressions.append("[^/]*" if level == "+" else _expression(level, _LEVEL))
        start = r"(?!\$)" if self.filter[0] in "+#" else ""  # MQTT 5.0, 4.7.2
        any_below = (".*" if levels == ["#"] else "(?:/.*)?") if levels[-1] == "#" else ""
        self._match = re.compile(start + "/".join(expressions) + any_below, re.DOTALL).fullmatch
        loose = [
            "[^/]*" if level == "+" else re.escape(level) for level in self.filter.split("/") if level != "#"
        ]
        self._covers = re.compile(start + "/".join(loose) + any_below, re.DOTALL).fullmatch

    def match(self, topic: str) -> dict[str, str] | None:
        """Return the words that a topic gives; None if it does not match."""
        found = self._match(topic) if len(topic) <= MAX_LENGTH else None
        return None if found is None else found.groupdict()

    def covers(self, topic: str) -> bool:
        """Tell whether the broker sends messages of a topic for this filter."""
        return self._covers(topic) is not None


class Name:
    """A pattern of names in a list of names and values; a word has no `/`, `.` or `:`."""

    def __init__(self, text: str) -> None:
        """Parse a pattern. Raises PatternError."""
        _refuse_twice(text)
        self.text = text
        self.words = tuple(_WORD.findall(text))
        self._match = re.compile(_expression(text, _NAME), re.DOTALL).fullmatch

    def match(self, name: str) -> dict[str, str] | None:
        """Return the words that a name gives; None if it does not match."""
        found = self._match(name) if len(name) <= MAX_LENGTH else None
        return None if found is None else found.groupdict()


Template = Callable[[Mapping[str, str], Frame, Any], str | None]
"""(words, frame, record) → text; None where something is missing."""


def compile_template(text: str) -> Template:
    """Return a function that gives a text: what is at a path, or the text itself with its words filled in."""
    if is_path(text):
        get = compile_path(text)
        return lambda _words, frame, record: as_text(get(frame, record))
    names = _WORD.findall(text)
    if not names:
        return lambda _words, _frame, _record: text
    needed = set(names)
    if text == f"{{{names[0]}}}":
        [name] = names
        return lambda words, _frame, _record: words.get(name)
    return lambda words, _frame, _record: (
        _WORD.sub(lambda found: words[found[1]], text) if words.keys() >= needed else None
    )


def as_text(value: Any) -> str | None:
    """Return a name or id as text; None for what cannot be one.

    Too long a text is cut where it is known to be too long: the texts last seen are remembered.
    """
    kind = type(value)
    if kind is str:
        return str(value[: MAX_LENGTH + 1])
    if kind is float and value.is_integer() and abs(value) < 2**53:
        value, kind = int(value), int
    if kind is int and abs(value) < 1 << 64:
        return str(value)
    return None if value is MISSING or kind is not float else repr(value)
