"""What `strikewatch settings` prints: everything in force, after checking all of it."""

import json
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from strikewatch.settings import Settings, load


def show(config: Path | None) -> int:
    """Check the settings and print them as TOML, one a line, what differs from the default marked.

    Raises SettingsError with every mistake.
    """
    for line in _lines(load(config), Settings.model_construct(), ""):
        print(line)
    return 0


def _lines(model: BaseModel, usual: BaseModel | None, path: str) -> list[str]:
    lines: list[str] = []
    for name in type(model).model_fields:
        value, here = getattr(model, name), f"{path}{name}"
        default = getattr(usual, name, None)
        if isinstance(value, BaseModel):
            lines += _lines(value, default, f"{here}.")
        elif isinstance(value, tuple) and any(isinstance(one, BaseModel) for one in value):
            for number, one in enumerate(value, 1):
                lines += [f"# {line}" for line in _lines(one, None, f"webhook {number}: ")]
        elif isinstance(model, Settings) and name == "hammers":
            lines += [
                f"{here}.{hammer}.{table}.{key} = {_toml(one)}  # differs from the default"
                for hammer, own in value.items()
                for table, keys in own.items()
                for key, one in keys.items()
            ]
        elif value is None:
            lines.append(f"# {here} is not set")
        else:
            mark = (
                "" if usual is None or value == default else f"  # differs from the default, {_toml(default)}"
            )
            lines.append(f"{here} = {_toml(value)}{mark}")
    return lines


def _toml(value: Any) -> str:
    if isinstance(value, Path):
        value = str(value)
    return json.dumps(list(value) if isinstance(value, tuple) else value, ensure_ascii=False)
