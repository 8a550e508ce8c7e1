"""The values of a payload with their paths: to find what a wrong path probably meant, and to propose a table."""

import re
from collections.abc import Iterator
from typing import Any, Final

MAX_LEAVES: Final = 2_000
"""Maximum values listed of one payload."""
_MAX_DEPTH: Final = 12
_PLAIN: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


def step_text(step: str | int) -> str:
    """Return how a step is written in a path."""
    if isinstance(step, int):
        return f"[{step}]"
    if _PLAIN.fullmatch(step):
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
