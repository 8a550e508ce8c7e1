"""What `strikewatch replay` prints."""

import json
import sys
import time
from argparse import Namespace

from rich.console import Console

from strikewatch.hosts import bout_tables
from strikewatch.hosts.bar import bar
from strikewatch.hosts.part import Part
from strikewatch.hosts.replay import replay_shifts
from strikewatch.hosts.replay_tables import show
from strikewatch.hosts.warm import warm
from strikewatch.intake.shift import open_shifts
from strikewatch.model.instant import seconds
from strikewatch.settings import load

LONG = 2_000_000
"""Rows from which on a bar is shown: about a second of work."""


def run(options: Namespace) -> int:
    """Replay and print: alert records to standard output with `json`, else tables; bouts in their place if those are
    wanted. Notes go to standard error."""
    notes = Console(stderr=True, highlight=False, soft_wrap=True)
    settings = load(options.config)
    part = Part.asked(options.hammer, options.begin, options.end, time.time_ns())
    shifts = open_shifts(options.path)
    warm(lambda text: notes.print(text, style="dim"))
    total = sum(shift.total for shift in shifts)
    with bar(notes, total, "rows", LONG) as told:
        result = replay_shifts(shifts, settings.of_hammer, seconds(settings.intake.reorder_s), told)
    for note in result.notes():
        notes.print(note, style="yellow")
    result = result.within(part)
    records = [one.record() for one in result.bouts()] if options.bouts else result.records
    if options.json:
        sys.stdout.writelines(json.dumps(record, ensure_ascii=False) + "\n" for record in records)
        sys.stdout.flush()
    elif options.bouts:
        bout_tables.show(Console(highlight=False), records)
    else:
        show(Console(highlight=False), options.path, result)
    return 0
