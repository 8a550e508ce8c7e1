"""Where settings were given, and the mistakes in them by place."""

import json
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from reprlib import repr as short
from typing import Any, Final

from pydantic import BaseModel, TypeAdapter, ValidationError

from strikewatch.settings.environment import FORMER_NAMES, PREFIX, suggestion, usable, variables
from strikewatch.settings.faults import Faults
from strikewatch.sinks.filter import Filter as WebhookFilter
from strikewatch.sinks.settings import WebhookSettings as Webhook

Loc = tuple[str | int, ...]
VALUE_ERROR: Final = "Value error, "
"""Pydantic's prefix to the messages of our own checks."""


@dataclass
class Origin:
    """The origin of the tables of a `model`, and their problems by place."""

    model: type[BaseModel]
    path: Path | None
    hammers_file: Path | None = None
    hammers: set[str] = field(default_factory=set)
    problems: dict[str, str] = field(default_factory=dict)

    def read(self, path: Path) -> dict[str, Any]:
        try:
            return tomllib.loads(path.read_text(encoding="utf-8"))
        except OSError as error:
            self.problems[str(path)] = f"cannot be read ({error.strerror}); name an existing file"
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            self.problems[str(path)] = f"is not TOML in UTF-8: {error}"
        return {}

    def add_hammers_file(self, tables: dict[str, Any]) -> None:
        """Read the file of hammers and add its tables."""
        named = self.named_file(tables, "hammers_file")
        own = tables.get("hammers", {})
        if named is None or not isinstance(own, dict):
            return
        self.hammers_file = named
        others = self.read(self.hammers_file)
        self.hammers = others.keys() - own.keys()
        for twice in sorted(others.keys() & own.keys()):
            self.problems[self.place(("hammers", twice))] = f"is also in {self.hammers_file}; keep one"
        tables |= {"hammers_file": str(self.hammers_file), "hammers": others | own}

    def check_sources_file(self, tables: dict[str, Any]) -> None:
        """Report the mistakes in the file of sources."""
        if (named := self.named_file(tables, "sources_file")) is not None:
            # It takes long to import, and most settings name no such file.
            from strikewatch.sources.mapping.mistakes import read_tables

            tables["sources_file"] = str(named)
            self.problems |= dict(read_tables(named)[1])

    def named_file(self, tables: dict[str, Any], key: str) -> Path | None:
        """Return the file that a setting names, if it does. A path in a settings file is relative to that file."""
        if (variable := os.environ.get(f"{PREFIX}{key.upper()}")) is not None:
            return Path(variable)
        named = tables.get(key)
        folder = self.path.parent if self.path else Path()
        return folder / named if isinstance(named, str | Path) else None

    def add(self, error: ValidationError, within: Loc = ()) -> None:
        for problem in error.errors():
            loc = (*within, *problem["loc"])
            self.problems.setdefault(self.place(loc), message(problem, loc, self.model))

    def add_wrong_types(self, tables: Mapping[str, Any]) -> None:
        """Report values of a wrong type in a file, such as a number as text; only the environment is read leniently."""
        for name in tables.keys() & self.model.model_fields.keys():
            kind: TypeAdapter[Any] = TypeAdapter(self.model.model_fields[name].annotation or Any)
            try:
                kind.validate_json(json.dumps(tables[name], default=str), strict=True)
            except ValidationError as error:
                for one in error.errors():
                    place = f"{self.path}: {dotted((name, *one['loc']))}"
                    if one["type"].endswith("_type"):
                        self.problems.setdefault(place, message(one, (name, *one["loc"]), self.model))

    def check_hammers(self, tables: Mapping[str, Any], faults: Faults, whole: bool) -> None:
        """Check each hammer's own tables over the common ones; conditions on several values only if `whole`."""
        hammers = tables.get("hammers")
        for hammer, own in hammers.items() if isinstance(hammers, dict) else ():
            if not isinstance(own, dict):
                continue
            try:
                overlaid(faults, own)
            except ValidationError as error:
                for one in error.errors():
                    if whole or one["type"] != "value_error":
                        loc = ("hammers", hammer, *one["loc"])
                        self.problems.setdefault(self.place(loc), message(one, loc, self.model))

    def place(self, loc: Loc) -> str:
        """Return where a setting was given: the variable, or the file and the path in it."""
        for end in range(len(loc), 0, -1):
            name = PREFIX + "__".join(map(str, loc[:end])).upper()
            if name.lower() in usable(self.model):
                return ".".join([name, *map(str, loc[end:])])
        if loc[0] == "hammers" and len(loc) > 1 and loc[1] in self.hammers:
            return f"{self.hammers_file}: {dotted(loc[1:])}"
        return f"{self.path}: {dotted(loc)}" if self.path else dotted(loc)


def overlaid(faults: Faults, own: Mapping[str, Any]) -> Faults:
    """Return fault settings, changed by a hammer's own tables. Raises ValidationError."""
    merged: dict[str, Any] = faults.model_dump()
    for name, table in own.items():
        if name in merged and isinstance(table, dict):
            merged[name] = {**merged[name], **table}
        else:
            merged[name] = table
    return Faults.model_validate(merged, strict=True)


def secret_variables(tables: Mapping[str, Any]) -> set[str]:
    """Return the variables that hold secrets, as webhooks and the heartbeat name them."""
    hooks = tables.get("webhooks")
    try:
        hooks = [*(hooks or ()), *json.loads(os.environ.get(f"{PREFIX}WEBHOOKS", "[]"))]
    except (TypeError, ValueError):
        hooks = []
    beat = {"secret_env": os.environ.get(f"{PREFIX}HEARTBEAT__SECRET_ENV", "")}
    named = [*hooks, beat, tables.get("heartbeat")]
    return {str(one["secret_env"]) for one in named if isinstance(one, dict) and "secret_env" in one}


def message(error: Any, loc: Loc, model: type[BaseModel]) -> str:
    """Return what is wrong at a place of a model, from an error of pydantic."""
    if error["type"] == "extra_forbidden":
        if present := FORMER_NAMES.get((str(loc[0]), str(loc[-1]))):
            return f"is the former name of {present}, which is set too; remove it"
        return f"is unknown; {suggestion(str(loc[-1]), _names(loc, model))}"
    if error["type"] == "value_error":
        return str(error["msg"]).removeprefix(VALUE_ERROR)
    what = _EXPECTED.get(error["type"]) or str(error["msg"]).replace("Input should be", "must be")
    if isinstance(error["input"], dict | list):  # whole tables, which may hold what is secret
        return f"{what}: begin each with [[{dotted(loc)}]]" if error["type"] == "tuple_type" else what
    return f"{what} (got {short(error['input'])})"


_EXPECTED: Final = {
    "model_type": "must be a table",
    "dict_type": "must be a table",
    "tuple_type": "must be a list",
    "missing": "is missing",
}


def _names(loc: Loc, model: type[BaseModel]) -> set[str]:
    """Return the valid names at the place of an unknown one."""
    if loc[0] == "webhooks":
        return set((WebhookFilter if "filter" in loc else Webhook).model_fields)
    table = ("faults", *loc[2:-1]) if loc[0] == "hammers" else loc[:-1]
    prefix = PREFIX + "".join(f"{step}__" for step in table).upper()
    below = (name.removeprefix(prefix) for name in variables(model) if name.startswith(prefix))
    return {name.lower() for name in below if "__" not in name}


def dotted(loc: Loc) -> str:
    """Return a place as the path of a setting, such as `http.port`."""
    return ".".join(map(str, loc))
