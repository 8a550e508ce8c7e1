"""`strikewatch review`: the trainer's review."""

from argparse import Namespace
from typing import Final

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import load_settings

NO_BROWSER: Final = (
    "No Chromium is installed, so the PDF is the summary as plain text, without pictures. For the whole report: "
    "install it (Debian: apt install chromium), or open the HTML file in any browser and print it."
)


@shared.command(
    "strikewatch review --from 7d --html review.html",
    "strikewatch review replay_data/hot-bench --operator op-14",
)
@shared.shifts(required=False)
@shared.config
@shared.period("7d, of recorded shifts their begin", "now, of recorded shifts their end")
@click.option(
    "--operator", metavar="OPERATOR", help="The pages of this operator; rates are still the site's."
)
@shared.filters("site")
@click.option(
    "--html", type=shared.PATH, metavar="FILE", help="Write the report, one file that needs nothing else."
)
@click.option(
    "--pdf", type=shared.PATH, metavar="FILE", help="Write the report as PDF, by an installed Chromium."
)
@click.option(
    "--csv", type=shared.PATH, metavar="DIR", help="Write every table as a CSV file in this folder."
)
@shared.as_json("every table, one object")
@click.option(
    "--moments",
    type=click.IntRange(min=0),
    default=3,
    metavar="N",
    help="Highlights of each operator (default: 3; 0: none).",
)
@click.option("--coaching", type=shared.PATH, metavar="FILE", help="Coaching notes, edited or translated.")
def review(options: Namespace) -> None:
    """Make the trainer's review: rates, whom to coach, on what, with which examples.

    Over the database, or over recorded shifts. Without an output option, a summary is printed.
    """
    from strikewatch.cli import review_report
    from strikewatch.cli.review_summary import show
    from strikewatch.core import instant
    from strikewatch.programs import find_program
    from strikewatch.review.report import files

    notes = output.notes()
    settings = load_settings(options.config)
    if options.pdf and find_program("chromium") is None:
        notes.print(NO_BROWSER, style="yellow")
    made = review_report.review(options, settings, notes)
    written = review_report.write(options, made.report)
    every = review_report.tables_by_name(made.tables, made.highlights, options.operator)
    if options.csv:
        files.to_csv(every, options.csv)
        written += [str(options.csv / f"{name}.csv") for name in every]
    if options.json:
        head = {"begin": instant.text(made.report.begin), "end": instant.text(made.report.end)}
        print(files.to_json(every, head))
    else:
        show(output.tables(), made.report, written)
