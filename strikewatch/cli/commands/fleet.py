"""`strikewatch fleet`: recordings of many hammers, replayed and reviewed on Apache Spark."""

from argparse import Namespace
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.text import Text

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.fleet_live import bridge, stream
from strikewatch.cli.output import plain_table
from strikewatch.cli.settings_file import load_settings
from strikewatch.errors import InputError

if TYPE_CHECKING:
    from pyspark.sql import DataFrame, SparkSession


@shared.group("strikewatch fleet replay recordings/ --to fleet/", "strikewatch fleet rates fleet/ --by site")
def fleet(options: Namespace) -> None:
    """Replay and review the recordings of many hammers on Apache Spark.

    Needs Java 17 and `pip install 'strikewatch[spark]'`. See `strikewatch guide fleet`.
    """


fleet.add_command(bridge)
fleet.add_command(stream)


@fleet.command(
    "replay",
    cls=shared.Command,
    examples=(
        "strikewatch fleet replay recordings/ --to fleet/",
        "strikewatch fleet replay /mnt/recordings --to /mnt/fleet --master spark://head:7077",
    ),
)
@shared.shifts(required=True)
@click.option(
    "--to", "to", type=shared.PATH, metavar="FOLDER", required=True, help="The folder of the tables."
)
@shared.config
@shared.as_json("one object")
@shared.master
def replay(options: Namespace) -> int:
    """Replay recordings that are new or have changed into a folder of Parquet tables.

    The tables are those of one replay of all recordings so far, however many runs it took. Recordings may arrive late:
    what they touch is replayed. A run that does not finish changes nothing.

    Exit code 1: some recordings were refused, or lost more than --allow-loss; the others are replayed.
    """
    from strikewatch.fleet.replay import replay_fleet
    from strikewatch.fleet.spark import session, workers
    from strikewatch.service.precompile import precompile
    from strikewatch.sources.recordings.read_options import read_options

    if not 0 <= options.allow_loss <= 100:
        raise InputError(f"--allow-loss {options.allow_loss:g}: give a percentage from 0 to 100")
    how = read_options(options.column, options.as_hammer, options.as_site, options.zone)
    settings = load_settings(options.config)
    notes = output.notes()
    precompile(lambda text: notes.print(text, style="dim"))
    with session(options.master) as spark:
        done = replay_fleet(
            options.paths,
            options.to,
            settings,
            own_settings=options.config is None,
            options=how,
            allow_loss=options.allow_loss,
            workers=workers(spark),
        )
    for place, why in done.refused.items():
        notes.print(f"not used: {why if place in why else f'{place}: {why}'}", style="yellow", markup=False)
    for place, why in done.lossy.items():
        notes.print(
            f"{place}: more than {options.allow_loss:g} % is left out: {why}", style="yellow", markup=False
        )
    record = {
        "hammers": done.hammers,
        "recordings": done.recordings,
        "rows": done.rows,
        "hammers_replaced": done.replaced,
        "refused": len(done.refused),
        "lossy": len(done.lossy),
    }
    line = f"{options.to}: {done.rows:,} rows of {done.recordings:,} new recordings; {done.hammers:,} hammers in all"
    again = (
        f"{done.replaced:,} hammers replayed again from a late or changed recording" if done.replaced else ""
    )
    output.print_result(options, record, *filter(None, (line, again)))
    return 1 if done.refused or done.lossy else 0


@fleet.command("compact", cls=shared.Command, examples=("strikewatch fleet compact days/ --to months/",))
@shared.shifts(required=True)
@click.option("--to", "to", type=shared.PATH, metavar="FOLDER", required=True, help="A new folder.")
@shared.as_json("one object")
@shared.master
def compact(options: Namespace) -> int:
    """Join many small recordings: one for each hammer and month, which replays faster.

    They give the same results. The recordings themselves are not changed. Exit code 1: some were left as they are, for
    the reasons given; replay these as well.
    """
    from strikewatch.fleet.compact import compact
    from strikewatch.fleet.spark import session, workers
    from strikewatch.sources.recordings.read_options import read_options

    how = read_options(options.column, options.as_hammer, options.as_site, options.zone)
    with session(options.master) as spark:
        done = compact(options.paths, options.to, options=how, workers=workers(spark))
    for place, why in done.left.items():
        output.notes().print(f"left as it is: {place}: {why}", style="yellow", markup=False)
    record = {"joined": done.joined, "written": done.written, "left": len(done.left)}
    output.print_result(
        options, record, f"{options.to}: {done.joined:,} recordings joined into {done.written:,}"
    )
    return 1 if done.left else 0


@fleet.command(
    "rates",
    cls=shared.Command,
    examples=(
        "strikewatch fleet rates fleet/",
        "strikewatch fleet rates fleet/ --by region --by model --hammers hammers.csv",
    ),
)
@click.argument("folder", type=shared.PATH, metavar="FOLDER")
@click.option(
    "--by",
    multiple=True,
    metavar="NAME",
    default=("site",),
    help="site, hammer, or a column of --hammers (default: site). Repeatable.",
)
@click.option(
    "--hammers",
    type=shared.PATH,
    metavar="FILE",
    help="CSV: site, hammer, and what to group by: region, model, …",
)
@shared.as_json()
@shared.master
def rates(options: Namespace) -> None:
    """Show how often each fault of operators occurs over a fleet.

    Per hour of firing, operation or judged firing, with 95 % limits; only over hammers whose feed can show the fault.
    """
    from strikewatch.fleet.folder import FleetFolder
    from strikewatch.fleet.rates import rates as rates_of
    from strikewatch.fleet.spark import session

    FleetFolder(options.folder).files("alerts")  # refuses a folder without a fleet before Spark starts
    with session(options.master) as spark:
        found = rates_of(spark, options.folder, options.by, _hammers(spark, options.hammers))
        if options.json:
            output.print_json(_rows(found))
        else:
            _show(list(options.by), _rows(found))


@fleet.command(
    "review",
    cls=shared.Command,
    examples=("strikewatch fleet review fleet/ --site fennick-hollow --html review.html",),
)
@click.argument("folder", type=shared.PATH, metavar="FOLDER")
@click.option("--site", metavar="SITE", required=True, help="The site to review.")
@shared.config
@shared.period("the first row", "the last row")
@click.option("--operator", metavar="OPERATOR", help="The pages of this operator.")
@click.option(
    "--html", type=shared.PATH, metavar="FILE", help="Write the report, one file that needs nothing else."
)
@shared.as_json("every table, one object")
def review(options: Namespace) -> None:
    """Make the trainer's review of one site from the tables of a fleet, without Spark.

    Without highlights, wear and talks with operators, which the tables do not have; `strikewatch review` shows them
    from the site's recordings.
    """
    from strikewatch.cli import review_report
    from strikewatch.cli.review_summary import show
    from strikewatch.core import instant
    from strikewatch.fleet.review import open_fleet_review
    from strikewatch.review.report import files

    options.paths, options.highlights = (options.folder,), 0
    options.coaching = options.pdf = options.csv = None
    made = review_report.review(options, load_settings(options.config), output.notes(), open_fleet_review)
    written = review_report.write(options, made.report)
    if options.json:
        head = {"begin": instant.text(made.report.begin), "end": instant.text(made.report.end)}
        every = review_report.tables_by_name(made.tables, made.highlights, options.operator)
        print(files.to_json(every, head))
    else:
        show(output.tables(), made.report, written)


def _rows(found: "DataFrame") -> Iterator[dict[str, Any]]:
    return (row.asDict() for row in found.toLocalIterator())


def _hammers(spark: "SparkSession", path: Path | None) -> "DataFrame | None":
    if path is None:
        return None
    if not path.is_file():
        raise InputError(f"{path}: no such file; give a CSV file with site, hammer, and what to group by")
    found = spark.read.csv(str(path.absolute()), header=True)
    if missing := [name for name in ("site", "hammer") if name not in found.columns]:
        raise InputError(f"{path}: column `{missing[0]}` is missing; it has: {', '.join(found.columns)}")
    if twice := found.groupBy("site", "hammer").count().where("count > 1").first():
        raise InputError(f"{path}: {twice['site']}/{twice['hammer']} is there twice; keep one row")
    return found


def _show(by: list[str], rows: Iterator[dict[str, Any]]) -> None:
    console = output.tables()
    numbers = "count", "hours", "per 100 h", "95 % limits"
    table = plain_table(*by, "fault", *numbers, "hours of", right=numbers)
    for row in rows:
        known = row["rate"] is not None
        limits = f"{100 * row['lower']:.1f} to {100 * row['upper']:.1f}" if known else "·"
        table.add_row(
            *(row[name] or "not given" for name in by),
            row["fault"],
            f"{row['count']:,}",
            f"{row['hours']:,.1f}",
            f"{100 * row['rate']:.1f}" if known else "·",
            limits,
            row["over"],
        )
    console.print(Text("Faults of operators", style="bold"))
    console.print(table)
