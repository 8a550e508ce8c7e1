"""`strikewatch survey`: a table of what was looked at, and what to do. 1 where there is trouble, else 0."""

import json
from dataclasses import asdict
from pathlib import Path

from rich.console import Console
from rich.table import Table

from strikewatch.errors import SettingsError
from strikewatch.service.health_check import Finding, survey
from strikewatch.settings.tree import load


def show(config: Path | None, *, as_json: bool) -> int:
    try:
        found = [Finding("settings", "ok", "all can be used"), *survey(load(config))]
    except SettingsError as error:
        found = [
            Finding("settings", "trouble", f"{path}: {what}", "see config/strikewatch.toml")
            for path, what in error.problems
        ]
    if as_json:
        for one in found:
            print(json.dumps(asdict(one), ensure_ascii=False))
    else:
        table = Table(box=None, pad_edge=False)
        for title in ("what", "how", "seen", "remedy"):
            table.add_column(title)
        for one in found:
            table.add_row(one.what, one.word, one.seen, one.remedy)
        Console(highlight=False, markup=False).print(table)
    return 1 if any(one.word == "trouble" for one in found) else 0
