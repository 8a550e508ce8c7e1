"""Every mistake in the tables of sources at once, each with its place and a remedy.

A field that is wrong by itself is reported and left out, and the rest is checked as if it were right, so that neither
hides the other.
"""

import copy
import tomllib
from collections.abc import Mapping
from pathlib import Path
from reprlib import repr as short
from typing import Any, Final

from pydantic import BaseModel, ValidationError

from strikewatch.sources.mapping.consistency import Loc, contradictions
from strikewatch.sources.mapping.tables import (
    ChannelTable,
    EventField,
    SourceTable,
    StepTable,
    TimeTable,
    close,
)

Problem = tuple[str, str]
"""(place, what is wrong and the remedy)."""
_VALUE_ERROR: Final = "Value error, "
_KINDS_OF: Final = {
    "string_type": "must be a text",
    "int_type": "must be a whole number",
    "float_type": "must be a number",
    "bool_type": "must be true or false",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "tuple_type": "must be a list",
    "missing": "is missing",
    "finite_number": "must be a finite number",
}
_UNIONS: Final = ("str", "bool", "int", "float")
_BRANCHES: Final = ("one-", "function-", "tuple[", "list[", "nullable[")
"""What pydantic adds to the place of a value that may have several types."""
_MODELS: Final[dict[str, type[BaseModel]]] = {"time": TimeTable, "step": StepTable}


def read_tables(path: Path) -> tuple[dict[str, SourceTable], list[Problem]]:
    """Read a file of source tables; return the usable ones and every problem."""
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        return {}, [(str(path), f"cannot be read ({error.strerror}); name an existing file")]
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        return {}, [(str(path), f"is not TOML in UTF-8: {error}")]
    return check_tables(tables, str(path))


def check_tables(tables: Mapping[str, Any], place: str = "") -> tuple[dict[str, SourceTable], list[Problem]]:
    """Check source tables; return those without a mistake and every problem, the places beginning with `place`."""
    sources: dict[str, SourceTable] = {}
    problems: list[Problem] = []
    for name, table in tables.items():
        source, found = _check(table)
        problems += [(_place(place, (name, *loc)), what) for loc, what in found.items()]
        if source is not None and not found:
            sources[name] = source
    return sources, problems


def _place(place: str, loc: Loc) -> str:
    dotted = ".".join(loc)
    return f"{place}: {dotted}" if place else dotted


def _check(table: Any) -> tuple[SourceTable | None, dict[Loc, str]]:
    """Return a source and its problems by place."""
    if not isinstance(table, dict):
        return None, {(): "must be a table, one for each source"}
    problems: dict[Loc, str] = {}
    left = copy.deepcopy(table)
    source = None
    while source is None:
        before = copy.deepcopy(left)
        try:
            source = SourceTable.model_validate(left)
        except ValidationError as error:
            for one in error.errors(include_url=False):
                loc = _loc(one["loc"])
                problems.setdefault(loc, _message(one, loc))
                _remove(left, loc)
            if left == before:
                left = {}  # so that it ends
    if not table.get("channels") and not table.get("event"):
        problems[()] = "has neither channels nor an event; add a table [….channels] or [….event]"
    for loc, what in contradictions(source, problems):
        if not any(wrong and (loc[: len(wrong)] == wrong or wrong[: len(loc)] == loc) for wrong in problems):
            problems[loc] = what
    return source, problems


def _loc(parts: tuple[str | int, ...]) -> Loc:
    """Return the keys of a place, without what pydantic adds for unions and list items."""
    keys = [part for part in parts if isinstance(part, str) and not part.startswith(_BRANCHES)]
    if len(keys) > (3 if keys[0] == "channels" else 2) and keys[-1] in _UNIONS:
        del keys[-1]
    return tuple(keys)


def _remove(table: dict[str, Any], loc: Loc) -> None:
    """Leave out what is at a place; if something is missing there, the table that lacks it."""
    for k, key in enumerate(loc):
        inner = table.get(key)
        if k == len(loc) - 1 or not isinstance(inner, dict) or loc[k + 1] not in inner:
            table.pop(key, None)
            return
        table = inner


def _message(error: Any, loc: Loc) -> str:
    kind = error["type"]
    if kind == "extra_forbidden":
        known = [field.alias or name for name, field in _model(loc).model_fields.items()]
        return f"is unknown{close(loc[-1], known) or '; the known keys are ' + ', '.join(sorted(known))}"
    if kind == "value_error":
        return str(error["msg"]).removeprefix(_VALUE_ERROR)
    if kind == "literal_error":
        expected = str(error["ctx"]["expected"]).replace(" or ", ", ")
        return f"{short(error['input'])} is none of {expected}{close(str(error['input']), _quoted(expected))}"
    what = _KINDS_OF.get(kind) or str(error["msg"]).removeprefix("Input ").replace("should be", "must be")
    return what if kind == "missing" else f"{what} (got {short(error['input'])})"


def _quoted(expected: str) -> list[str]:
    return [each.strip("' ") for each in expected.split(",")]


def _model(loc: Loc) -> type[BaseModel]:
    """Return the model whose fields stand at a place."""
    if len(loc) > 2 and loc[0] == "channels":
        return ChannelTable
    if len(loc) > 2 and loc[0] == "event":
        return EventField
    return _MODELS.get(loc[0], SourceTable) if len(loc) > 1 else SourceTable
