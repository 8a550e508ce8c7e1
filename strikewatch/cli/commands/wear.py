"""`strikewatch wear` and `strikewatch tools`."""

import json
import time
from argparse import Namespace
from typing import Any, Final

from rich.console import Console
from rich.text import Text

from strikewatch.cli.rendering import wear as wear_tables
from strikewatch.disclaimer import CAUTION
from strikewatch.review.wear.condition import Condition, fitted_record, group_record, tool_record, wear_record
from strikewatch.service.inputs.wear import asked
from strikewatch.settings.tree import load

NO_INSPECTION: Final = (
    "No inspection was told of yet: write one down at the page, or send an `inspection` event."
)
NO_TOOL: Final = (
    "No tool was told of yet: write a tool change down at the page, or send a `tool_change` event."
)


def wear(options: Namespace) -> int:
    """What inspections say of each hammer."""
    found = _found(options)
    if options.json:
        return _print({"hammers": [wear_record(one) for one in found.worn], "caution": CAUTION})
    console = Console(highlight=False)
    wear_tables.show_wear(console, found)
    return _end(console, NO_INSPECTION if not found.worn else "")


def tools(options: Namespace) -> int:
    """What is fitted, every tool, and how long tools last."""
    found = _found(options)
    if options.json:
        records = {
            "fitted": [fitted_record(one) for one in found.fitted],
            "tools": [tool_record(one) for one in found.tools],
            "lasting": [group_record(one) for one in found.groups],
        }
        return _print({**records, "caution": CAUTION})
    console = Console(highlight=False)
    wear_tables.show_tools(console, found)
    return _end(console, NO_TOOL if not found.tools and not found.fitted else "")


def _found(options: Namespace) -> Condition:
    notes = Console(stderr=True, highlight=False, soft_wrap=True)
    return asked(options, load(options.config), time.time_ns(), notes)


def _print(record: dict[str, Any]) -> int:
    print(json.dumps(record, ensure_ascii=False))
    return 0


def _end(console: Console, nothing: str) -> int:
    console.print(nothing or Text(CAUTION, "dim"))
    return 0
