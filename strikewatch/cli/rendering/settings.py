"""Settings as TOML, one a line."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from strikewatch.settings.tree import Settings


def lines(settings: Settings) -> Iterator[str]:
    """Yield every setting as TOML, what differs from its default marked. The lines together are a settings file."""
    for name in type(settings).model_fields:
        value = getattr(settings, name)
        if name == "hammers":
            for hammer, own in value.items():
                for table, keys in own.items():
                    for key, one in keys.items():
                        yield f"hammers.{_key(hammer)}.{table}.{key} = {_toml(one)}  # for this hammer"
        elif name == "hammers_file":
            told = (
                "is not set" if value is None else f"= {_toml(value)}, whose tables stand here as hammers.…"
            )
            yield f"# hammers_file {told}"
        elif name != "webhooks":
            yield from _setting(settings, name, "")
    # Tables in a list can only stand at the end.
    for hook in settings.webhooks:
        yield "[[webhooks]]"
        for name in type(hook).model_fields:
            yield from _setting(hook, name, "")


def _setting(model: BaseModel, name: str, path: str) -> Iterator[str]:
    value, default = (
        getattr(model, name),
        type(model).model_fields[name].get_default(call_default_factory=True),
    )
    here = f"{path}{name}"
    if isinstance(value, BaseModel):
        for inner in type(value).model_fields:
            yield from _setting(value, inner, f"{here}.")
    elif value is None:
        yield f"# {here} is not set"
    elif value == default or default is PydanticUndefined:
        yield f"{here} = {_toml(value)}"
    else:
        yield f"{here} = {_toml(value)}  # differs from the default, {'none' if default is None else _toml(default)}"


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _toml(name)


def _toml(value: Any) -> str:
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, dict):
        pairs = [f"{_toml(name)} = {_toml(one)}" for name, one in value.items()]
        return f"{{{', '.join(pairs)}}}"
    if isinstance(value, float):
        return repr(value)
    return json.dumps(str(value) if isinstance(value, Path) else value, ensure_ascii=False).replace(
        "\x7f", "\\u007f"
    )
