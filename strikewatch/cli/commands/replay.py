"""What `strikewatch replay` prints."""

import json
import sys
import time
from argparse import Namespace
from itertools import chain

from rich.console import Console

from strikewatch.cli.rendering import bouts
from strikewatch.cli.rendering.replay import show
from strikewatch.service.recordings import Recordings, print_notes
from strikewatch.service.time_window import Part
from strikewatch.settings.tree import load


def run(options: Namespace) -> int:
    """Replay and print: alert records to standard output with `json`, else tables; bouts in their place if those are
    wanted. Notes go to standard error."""
    notes = Console(stderr=True, highlight=False, soft_wrap=True)
    settings = load(options.config)
    part = Part.asked(options.hammer, options.begin, options.end, time.time_ns())
    recordings = Recordings.asked(options, settings)
    shifts, result = recordings.replayed(notes)
    print_notes(notes, chain(recordings.notes(shifts), result.notes()))
    result = result.within(part)
    records = [one.record() for one in result.bouts()] if options.bouts else result.records
    if options.json:
        sys.stdout.writelines(json.dumps(record, ensure_ascii=False) + "\n" for record in records)
        sys.stdout.flush()
    elif options.bouts:
        bouts.show(Console(highlight=False), records)
    else:
        show(Console(highlight=False), options.paths[0], result)
    return 0
