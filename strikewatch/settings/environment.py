"""Environment variables as settings: which a tree of settings has, and which of those that are set are mistakes."""

import json
import os
from collections.abc import Set
from difflib import get_close_matches
from functools import cache
from types import UnionType
from typing import Any, Final, Union, get_args, get_origin

from pydantic import BaseModel

PREFIX: Final = "STRIKEWATCH_"
_NOT_SETTINGS: Final = {f"{PREFIX}{name}" for name in ("ALL", "CONFIG", "CUTS", "HIDE", "SEEDS")}
"""Which file to read, and how long the tests are."""
_HAMMERS: Final = f"{PREFIX}HAMMERS"


@cache
def variables(model: type[BaseModel], prefix: str = PREFIX) -> dict[str, bool]:
    """Every variable that a tree of settings has; true where its value is JSON: a table or a list."""
    names: dict[str, bool] = {}
    for field_name, field in model.model_fields.items():
        name, kind = f"{prefix}{field_name.upper()}", field.annotation
        inner = _model(kind)
        names[name] = inner is not None or get_origin(kind) in (dict, tuple)
        if inner is not None:
            names |= variables(inner, f"{name}__")
    return names


def usable(model: type[BaseModel]) -> dict[str, str]:
    """The variables that are set, known and readable, by their names in small letters."""
    known = variables(model)
    return {
        name.lower(): value
        for name, value in os.environ.items()
        if name.upper() in known and not (known[name.upper()] and _json_mistake(value))
    }


def mistakes(model: type[BaseModel], named: Set[str]) -> list[tuple[str, str]]:
    """(variable, what is wrong and the remedy); `named` are those that the settings name to hold secrets."""
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
            found.append((name, f"is no setting; {meant(upper, known)}"))
        elif known[upper] and (wrong := _json_mistake(os.environ[name])):
            found.append((name, f"is a table or list and takes JSON, but {wrong}"))
    return found


def meant(name: str, known: Set[str] | dict[str, bool]) -> str:
    """What whoever wrote an unknown name should do."""
    near = get_close_matches(name, known, 1)
    return f"did you mean {near[0]}?" if near else "remove it, or see config/strikewatch.toml for the names"


def _model(kind: Any) -> type[BaseModel] | None:
    """The table that a setting is, or may be."""
    kinds = get_args(kind) if get_origin(kind) in (Union, UnionType) else (kind,)
    return next((one for one in kinds if isinstance(one, type) and issubclass(one, BaseModel)), None)


def _json_mistake(value: str) -> str | None:
    try:
        json.loads(value)
    except json.JSONDecodeError as error:
        return f"at character {error.pos + 1}: {error.msg}"
    return None
