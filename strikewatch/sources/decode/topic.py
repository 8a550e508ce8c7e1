"""The topic of a message: `{prefix}/{site}/{hammer}/samples` or `.../events`."""

import re
from functools import lru_cache
from typing import Final, Literal, cast

from strikewatch.core.batch import Key
from strikewatch.errors import Rejected

Kind = Literal["samples", "events"]

ID_PATTERN: Final = r"^[A-Za-z0-9][A-Za-z0-9._\-]{0,63}$"
"""Sites, hammers and operators: 1 to 64 ASCII letters, digits, `.`, `_` and `-`, a letter or digit first.

Ids become parts of topics, folder and file names: without separators, wildcards and leading dots they cannot point
elsewhere.
"""

_ID: Final = re.compile(ID_PATTERN[:-1] + r"\Z")


def is_id(text: str) -> bool:
    """Tell whether `text` is a valid id of a site, a hammer or an operator."""
    return _ID.match(text) is not None


@lru_cache(maxsize=4096)
def parse(topic: str, prefix: str) -> tuple[Key, Kind]:
    """Return the hammer and the kind of message of a topic. Raises Rejected("topic")."""
    if not topic.startswith(prefix + "/"):
        raise Rejected("topic", f"{topic[:200]!r}: expected {prefix}/<site>/<hammer>/samples or /events")
    levels = topic[len(prefix) + 1 :].split("/")
    if len(levels) != 3 or levels[2] not in ("samples", "events"):
        raise Rejected("topic", f"{topic[:200]!r}: expected {prefix}/<site>/<hammer>/samples or /events")
    for word, level in zip(("site", "hammer"), levels[:2], strict=True):
        if not is_id(level):
            raise Rejected(
                "topic",
                f"{word} {level[:80]!r}: 1 to 64 letters, digits, '.', '_' or '-', not starting with a sign",
            )
    return (levels[0], levels[1]), cast(Kind, levels[2])


def is_own(topic: str, prefix: str) -> bool:
    """Tell whether a topic is one of the contract's."""
    try:
        parse(topic, prefix)
    except Rejected:
        return False
    return True


@lru_cache(maxsize=32_768)
def machine(topic: str, prefix: str) -> str:
    """Return the part of a topic that names the machine: prefix, site and hammer."""
    levels = prefix.count("/") + 3
    return "/".join(topic.split("/", levels)[:levels])


def filters(prefix: str) -> tuple[str, str]:
    """Return the topic filters to subscribe to."""
    return f"{prefix}/+/+/samples", f"{prefix}/+/+/events"
