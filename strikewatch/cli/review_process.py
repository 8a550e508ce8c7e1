"""The process that makes one review for the page: the order comes in as JSON, the report goes out as HTML."""

import json
import os
import sys
from argparse import Namespace
from typing import Final

from rich.console import Console

from strikewatch.cli.review_report import review
from strikewatch.errors import StrikewatchError
from strikewatch.review.report.html import render_html
from strikewatch.settings.tree import Settings

NICE: Final = 5
MOMENTS: Final = 3


def main() -> int:
    """Read the order, write the report; 2 with the reason on standard error where it cannot be made."""
    os.nice(NICE)
    order = json.load(sys.stdin)
    options = Namespace(
        paths=[],
        begin=order["begin"],
        end=order["end"],
        operator=None,
        site=order["site"],
        html=True,
        pdf=None,
        csv=None,
        json=False,
        moments=MOMENTS,
        coaching=None,
        config=None,
    )
    settings = Settings.model_validate(order["settings"])
    try:
        made = review(options, settings, Console(stderr=True, quiet=True))
    except StrikewatchError as error:
        print(error, file=sys.stderr)
        return 2
    sys.stdout.reconfigure(encoding="utf-8")  # type: ignore[union-attr]  # it is a pipe
    sys.stdout.write(render_html(made.report))
    return 0


if __name__ == "__main__":
    sys.exit(main())
