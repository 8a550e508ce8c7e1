"""Paths: RFC 9535 singular queries, which name one place in a payload.

A path begins with `$` (the message), `@` (the record) or `^` (what the record lies in: one `[*]` up, `^^` two). Then
come `.name`, `['any name']` and `[3]` or `[-1]`. In `records` there may also be `[*]` or `.*` (every element) and
`.{word}` (every member, whose name is kept as a word). Filters, slices, unions and `..` are not supported; `where`,
and `name` with `named`, do what those are wanted for. `leaves` lists the paths that a payload has.
"""

import json
import re
from collections.abc import Callable, Iterator
from typing import Any, Final, NamedTuple

MAX_LENGTH: Final = 512
MISSING: Final[Any] = type("Missing", (), {"__repr__": lambda _self: "nothing"})()
"""What `walk` returns where there is nothing."""
_BLANK: Final = r"[ \t\n\r]*"
_STEP: Final = re.compile(
    rf"""{_BLANK}(?:
        \.(?P<name>[A-Za-z_\x80-\U0010ffff][A-Za-z0-9_\x80-\U0010ffff]*)
      | \[{_BLANK}(?:
            (?P<index>0|-?[1-9][0-9]*)
          | '(?P<single>(?:[^'\\\x00-\x1f]|\\[bfnrt/\\']|\\u[0-9A-Fa-f]{{4}})*)'
          | "(?P<double>(?:[^"\\\x00-\x1f]|\\[bfnrt/\\"]|\\u[0-9A-Fa-f]{{4}})*)"
          | (?P<every>\*)
        ){_BLANK}\]
      | (?P<members>\.\*)
      | \.\{{(?P<word>[a-z][a-z0-9_]*)\}}
    )""",
    re.VERBOSE,
)
_MAX_INDEX: Final = 2**53 - 1

Frame = tuple[Any, ...]
"""What a record lies in: the message, then the element of each `[*]` but the last."""
Getter = Callable[[Frame, Any], Any]
"""(frame, record) → what is at a path, or MISSING."""
MAX_LEAVES: Final = 2_000
"""Maximum values listed of one payload."""
_MAX_DEPTH: Final = 12
_PLAIN_NAME: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


class PathError(ValueError):
    """A text is not a path; the message names the place and the remedy."""


class Every(NamedTuple):
    """A step to every element. `word`: under which the element's name is kept."""

    word: str | None


Step = str | int | Every


class Path(NamedTuple):
    """A parsed path. `root`: `$`, `@`, or `^` once for each level up."""

    root: str
    steps: tuple[Step, ...]

    @property
    def words(self) -> tuple[str, ...]:
        return tuple(step.word for step in self.steps if isinstance(step, Every) and step.word)

    @property
    def depth(self) -> int:
        """Number of steps to every element."""
        return sum(isinstance(step, Every) for step in self.steps)


def is_path(text: str) -> bool:
    """Tell whether a text in a source table is meant as a path."""
    return text.startswith(("$", "@", "^"))


def parse(text: str, *, many: bool = False) -> Path:
    """Parse a path. `many`: it may have steps to every element. Raises PathError."""
    if len(text) > MAX_LENGTH:
        raise PathError(f"{text[:40]!r}…: a path has at most {MAX_LENGTH} characters")
    if not is_path(text):
        hint = f"; did you mean '@.{text}'?" if re.fullmatch(r"[A-Za-z_][\w.\[\]]*", text) else ""
        raise PathError(f"{text!r} begins with neither $ (the message) nor @ (the record){hint}")
    at = len(text) - len(text.lstrip("^")) or 1
    root, steps = text[:at], list[Step]()
    while at < len(text):
        found = _STEP.match(text, at)
        if not found:
            raise PathError(f"{text!r}: {_mistake(text[at:])}")
        step = _step(found)
        if isinstance(step, Every) and not many:
            raise PathError(f"{text!r}: must name one place; * and {{word}} belong in `records`")
        if isinstance(step, int) and abs(step) > _MAX_INDEX:
            raise PathError(f"{text!r}: index {step} is too large (RFC 9535, 2.1)")
        steps.append(step)
        at = found.end()
    return Path(root, tuple(steps))


def _step(found: re.Match[str]) -> Step:
    if found["name"] is not None:
        return found["name"]
    if found["index"] is not None:
        return int(found["index"])
    if found["every"] or found["members"] or found["word"]:
        return Every(found["word"])
    if (quoted := found["double"]) is None:
        quoted = found["single"].replace("\\'", "'").replace('"', '\\"')
    name: str = json.loads(f'"{quoted}"')
    return name


def _mistake(rest: str) -> str:
    """Return what is wrong with the rest of a path."""
    start = f"not a path from {rest[:20]!r} on"
    if rest.startswith(".."):
        return f"{start}; `..` is not supported, name one place"
    if rest.startswith("[?"):
        return f"{start}; filters are not supported, use `where`, or `name` and `named`"
    if rest.startswith("[") and ":" in rest.partition("]")[0]:
        return f"{start}; slices are not supported, name one place"
    name = re.match(r"\.?([^.\[\]]*)", rest)
    shown = name[1] if name and name[1] else "…"
    return f"{start}; a name with other characters than letters, digits and _ is written in brackets: ['{shown}']"


def walk(node: Any, steps: tuple[Any, ...]) -> Any:
    """Return what is at the end of steps, or MISSING. An integer also finds a member by an integer key (CBOR)."""
    for step in steps:
        if type(node) is dict:
            node = node.get(step, MISSING)
        elif type(node) is list and type(step) is int and -len(node) <= step < len(node):
            node = node[step]
        else:
            return MISSING
    return node


def compile_path(text: str) -> Getter:
    """Return a function that finds what is at a path."""
    root, steps = parse(text)
    if root == "$":
        return lambda frame, _record: walk(frame[0], steps)
    if root != "@":
        level = -len(root)
        return lambda frame, _record: walk(frame[level], steps)
    if not steps:
        return lambda _frame, record: record
    if all(isinstance(step, str) for step in steps):
        return _by_names(steps)
    return lambda _frame, record: walk(record, steps)


def _by_names(steps: tuple[Any, ...]) -> Getter:
    """Return a getter for names only: only a dict can be subscripted by one."""
    if len(steps) == 1:
        [name] = steps

        def get_one(_frame: Frame, record: Any) -> Any:
            try:
                return record[name]
            except (KeyError, TypeError):
                return MISSING

        return get_one

    def get(_frame: Frame, record: Any) -> Any:
        try:
            for step in steps:
                record = record[step]
        except (KeyError, TypeError):
            return MISSING
        return record

    return get


def records_at(
    node: Any, steps: tuple[Step, ...], words: dict[str, str], frame: Frame
) -> Iterator[tuple[dict[str, str], Frame, Any]]:
    """Yield (words, frame, record) of every place that the steps of `records` name."""
    for k, step in enumerate(steps):
        if not isinstance(step, Every):
            node = walk(node, (step,))
            continue
        items = node.items() if type(node) is dict else enumerate(node) if type(node) is list else ()
        rest = steps[k + 1 :]
        for name, element in items:
            kept = {**words, step.word: str(name)} if step.word else words
            if rest:
                inner = (*frame, element) if any(isinstance(each, Every) for each in rest) else frame
                yield from records_at(element, rest, kept, inner)
            else:
                yield kept, frame, element
        return
    if node is not MISSING:
        yield words, frame, node


def step_text(step: str | int) -> str:
    """Return how a step is written in a path."""
    if isinstance(step, int):
        return f"[{step}]"
    if _PLAIN_NAME.fullmatch(step):
        return f".{step}"
    quoted = step.replace("\\", "\\\\").replace("'", "\\'")
    escaped = "".join(char if char >= " " else f"\\u{ord(char):04x}" for char in quoted)
    return f"['{escaped}']"


def leaves(tree: Any, root: str = "@") -> list[tuple[str, Any]]:
    """Return (path, value) of every value of a tree, in order. An array of numbers is one value."""
    found: list[tuple[str, Any]] = []
    for each in _walk(tree, root, 0):
        found.append(each)
        if len(found) == MAX_LEAVES:
            break
    return found


def _walk(node: Any, path: str, depth: int) -> Iterator[tuple[str, Any]]:
    if depth < _MAX_DEPTH and isinstance(node, dict) and node:
        for name, value in node.items():
            if isinstance(name, str | int):
                yield from _walk(value, path + step_text(name), depth + 1)
    elif (
        depth < _MAX_DEPTH and isinstance(node, list) and any(isinstance(each, dict | list) for each in node)
    ):
        for k, value in enumerate(node):
            yield from _walk(value, f"{path}[{k}]", depth + 1)
    else:
        yield path, node
        if isinstance(node, list) and len(node) <= 16 and depth < _MAX_DEPTH:
            yield from ((f"{path}[{k}]", value) for k, value in enumerate(node))
