"""Settings from environment variables: which exist, their values, and mistakes in those that are set."""

import json
import os
from collections.abc import Mapping, Set
from difflib import get_close_matches
from functools import cache
from types import UnionType
from typing import Any, Final, Union, get_args, get_origin

from pydantic import BaseModel

PREFIX: Final = "STRIKEWATCH_"
_NOT_SETTINGS: Final = {f"{PREFIX}{name}" for name in ("ALL", "CONFIG", "CUTS", "HIDE", "SEEDS")}
"""Variables of the command line and of the tests."""
_HAMMERS: Final = f"{PREFIX}HAMMERS"
FORMER_NAMES: Final = {("http", "look_freely"): "local_view_without_token"}
"""Former names of settings, which are still read: (table, former name) → present name."""


@cache
def variables(model: type[BaseModel], prefix: str = PREFIX) -> dict[str, bool]:
    """Return the variables of a settings model; true if the value is JSON: a table or a list."""
    names: dict[str, bool] = {}
    for field_name, field in model.model_fields.items():
        name, kind = f"{prefix}{field_name.upper()}", field.annotation
        inner = _model(kind)
        names[name] = inner is not None or get_origin(kind) in (dict, tuple)
        if inner is not None:
            names |= variables(inner, f"{name}__")
    for (table, former), present in FORMER_NAMES.items():
        within = f"{PREFIX}{table.upper()}__"
        if (is_json := names.get(within + present.upper())) is not None:
            names[within + former.upper()] = is_json
    return names


def usable(model: type[BaseModel]) -> dict[str, str]:
    """Return the variables that are set, known and readable, by lower-case name."""
    known = variables(model)
    return {
        name.lower(): value
        for name, value in os.environ.items()
        if name.upper() in known and not (known[name.upper()] and _json_mistake(value))
    }


def environment_tables(model: type[BaseModel]) -> dict[str, Any]:
    """Return the settings that the environment gives, as the nested tables of a settings file."""
    known = variables(model)
    tables: dict[str, Any] = {}
    # A variable for a whole table comes before those for its settings, which override it.
    for name, value in sorted(usable(model).items(), key=lambda item: item[0].count("__")):
        given: Any = json.loads(value) if known[name.upper()] else value
        for step in reversed(name.removeprefix(PREFIX.lower()).split("__")):
            given = {step: given}
        tables = overlay(tables, given)
    return with_present_names(tables)


def with_present_names(tables: Mapping[str, Any]) -> dict[str, Any]:
    """Return tables in which settings given under a former name have the present one; both at once are kept."""
    renamed = dict(tables)
    for (table, former), present in FORMER_NAMES.items():
        own = renamed.get(table)
        if isinstance(own, Mapping) and former in own and present not in own:
            renamed[table] = {present if name == former else name: value for name, value in own.items()}
    return renamed


def overlay(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Return `below` with the values of `above` in place of its own, table by table."""
    merged = dict(below)
    for name, value in above.items():
        own = merged.get(name)
        if isinstance(own, Mapping) and isinstance(value, Mapping):
            merged[name] = overlay(own, value)
        else:
            merged[name] = value
    return merged


def mistakes(model: type[BaseModel], named: Set[str]) -> list[tuple[str, str]]:
    """Return (variable, problem and remedy) of each mistake; `named`: variables that hold secrets."""
    known = variables(model)
    found: list[tuple[str, str]] = []
    for name in sorted(os.environ):
        upper = name.upper()
        if not upper.startswith(PREFIX) or upper in _NOT_SETTINGS or name in named:
            continue
        if upper.startswith(f"{_HAMMERS}__"):
            remedy = f"use a file, or {_HAMMERS} with all tables as JSON"
            found.append((name, f"cannot name a hammer, since variables lose capitals; {remedy}"))
        elif upper not in known:
            found.append((name, f"is not a setting; {suggestion(upper, known)}"))
        elif known[upper] and (wrong := _json_mistake(os.environ[name])):
            found.append((name, f"is a table or list and takes JSON, but {wrong}"))
    return found


def is_table(variable: str, tables: Set[str]) -> bool:
    """Return whether a variable sets one of these tables, or belongs to the command line or the tests."""
    table = variable.upper().removeprefix(PREFIX).partition("__")[0].lower()
    return table in tables or variable.upper() in _NOT_SETTINGS


def suggestion(name: str, known: Set[str] | dict[str, bool]) -> str:
    """Return what to do about an unknown name."""
    near = get_close_matches(name, known, 1)
    return f"did you mean {near[0]}?" if near else "remove it, or see config/strikewatch.toml for the names"


def _model(kind: Any) -> type[BaseModel] | None:
    """Return the model of a setting that is, or may be, a table."""
    kinds = get_args(kind) if get_origin(kind) in (Union, UnionType) else (kind,)
    return next(
        (option for option in kinds if isinstance(option, type) and issubclass(option, BaseModel)), None
    )


def _json_mistake(value: str) -> str | None:
    try:
        json.loads(value)
    except json.JSONDecodeError as error:
        return f"at character {error.pos + 1}: {error.msg}"
    return None
