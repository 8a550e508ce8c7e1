"""Values as gateways send them: read as numbers, quoted in messages, looked up among the words of a table."""

import json
import re
from collections.abc import Iterable
from typing import Any, Final, cast

import numpy as np

from strikewatch.errors import Rejected

_NUMBER: Final = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_COMMA: Final = re.compile(r"[+-]?(?:\d+(?:,\d*)?|,\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_HEX: Final = re.compile(r"0[xX][0-9a-fA-F]{1,16}", re.ASCII)
"""A register as text."""
_MAX_DIGITS: Final = 64
_QUOTED: Final = 40
MAX_DETAILS: Final = 3
"""How many bad values are reported singly for each reason; the last of them counts the others."""


def shown(raw: Any) -> str:
    """Return a value as it is quoted in a message: as JSON, cut to a few characters, without control characters."""
    if isinstance(raw, dict | list | tuple):
        return "an array" if not isinstance(raw, dict) else "an object"
    if isinstance(raw, int) and not isinstance(raw, bool) and raw.bit_length() > 128:
        return "a number of too many digits"
    if isinstance(raw, str):
        raw = raw[: _QUOTED + 1]
    text = json.dumps(raw) if isinstance(raw, str | int | float | None) else f"a {type(raw).__name__}"
    return text if len(text) <= _QUOTED else f"{text[:_QUOTED]}…"


def number(text: str, decimal: str = ".") -> float | None:
    """Return the number that a text stands for; None if it is none."""
    text = text.strip()
    if len(text) > _MAX_DIGITS:
        return None
    if decimal == "," and _COMMA.fullmatch(text):
        return float(text.replace(",", "."))
    if decimal == "." and _NUMBER.fullmatch(text):
        return float(text)
    return float(int(text, 16)) if _HEX.fullmatch(text) else None


def is_blank(raw: Any) -> bool:
    """Tell whether a text is no value: empty, or NaN as text."""
    return isinstance(raw, str) and raw.strip().lower() in ("", "nan")


def to_float(raw: int | float) -> float:
    """Return a number as a float. Raises Rejected if it is too large."""
    try:
        return float(raw)
    except OverflowError:
        raise Rejected("bad_value", "a number of too many digits; correct it at the sender") from None


class Codes:
    """A set of values of a table, in which a payload's value is looked up.

    A number equals the text that writes it, `true` equals the text true; yes and no are apart from 1 and 0.
    """

    def __init__(self, values: Iterable[Any], decimal: str = ".") -> None:
        self._decimal = decimal
        self._keys: set[Any] = set()
        for value in values:
            self._keys.update(self._of(value))
        self.numbers: Final = np.array([key for key in self._keys if isinstance(key, float)], np.float64)

    def _of(self, value: Any) -> list[Any]:
        """Return the keys of a value: (True or False,) for yes or no, a float, or a text."""
        if isinstance(value, bool):
            return [(value,)]
        if isinstance(value, int | float):
            return [float(value)]
        text = str(value).strip()
        keys: list[Any] = [text]
        if (found := number(text, self._decimal)) is not None:
            keys.append(found)
        if text in ("true", "false"):
            keys.append((text == "true",))
        return keys

    def __bool__(self) -> bool:
        return bool(self._keys)

    def __contains__(self, raw: object) -> bool:
        kind = type(raw)
        if kind is str:
            text = cast(str, raw).strip()
            if text in self._keys:
                return True
            found = number(text, self._decimal) if len(self.numbers) else None
            return found is not None and found in self._keys
        if kind is bool:
            return (raw,) in self._keys
        return (kind is int or kind is float) and raw in self._keys


class Mistakes:
    """Collects bad values: a few of each reason singly, the others counted."""

    def __init__(self) -> None:
        self._by_reason: dict[str, list[Rejected]] = {}

    def add(self, error: Rejected) -> None:
        kept = self._by_reason.setdefault(error.reason, [])
        if len(kept) == MAX_DETAILS:
            kept[-1].count += error.count
        else:
            kept.append(error)

    def all(self) -> list[Rejected]:
        return [error for kept in self._by_reason.values() for error in kept]


def contents(tree: Any) -> str:
    """Return what a payload has, for a message: the first keys of its first object, or its value."""
    while type(tree) is list and tree:
        tree = tree[0]
    if type(tree) is dict:
        return ", ".join(shown(key).strip('"') for key in list(tree)[:8])
    return shown(tree)
