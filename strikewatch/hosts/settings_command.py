"""What `strikewatch settings` prints: everything in force, as TOML comments tell it, after checking all of it."""

from pathlib import Path

from pydantic import BaseModel

from strikewatch.settings import Settings, load


def show(config: Path | None) -> int:
    """Check the settings and print them, one a line, with their path. Raises SettingsError with every mistake."""
    settings = load(config)
    for line in _lines(settings, ""):
        print(line)
    return 0


def _lines(model: BaseModel, path: str) -> list[str]:
    lines: list[str] = []
    for name in type(model).model_fields:
        value = getattr(model, name)
        here = f"{path}{name}"
        if isinstance(value, BaseModel):
            lines += _lines(value, f"{here}.")
        elif isinstance(value, tuple) and any(isinstance(one, BaseModel) for one in value):
            for number, one in enumerate(value):
                lines += _lines(one, f"{here}[{number}].")
        elif isinstance(model, Settings) and name == "hammers":
            lines += [
                f"{here}.{hammer}.{table}.{key} = {one!r}"
                for hammer, own in value.items()
                for table, keys in own.items()
                for key, one in keys.items()
            ]
        else:
            lines.append(f"{here} = {'(not set)' if value is None else value!r}")
    return lines
