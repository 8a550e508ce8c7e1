"""The classes of commands, and options that several commands have."""

from argparse import Namespace
from collections.abc import Callable, Iterable, Sequence
from functools import wraps
from pathlib import Path
from typing import Any, Final

import click
from click.core import ParameterSource

from strikewatch.cli import output
from strikewatch.cli.settings_file import LOOKUP, VARIABLE

Function = Callable[..., Any]
Decorator = Callable[[Function], Function]
Run = Callable[[Namespace], int | None]
"""What a command does; it returns an exit code other than 0, or None."""

WHEN: Final = "2026-11-25T06:00:00Z, or how long ago: 2h, 3d"
PATH: Final = click.Path(path_type=Path)
_SETTINGS: Final[dict[str, Any]] = {"help_option_names": ["-h", "--help"], "max_content_width": 110}


class _Help(click.HelpFormatter):
    def write_heading(self, heading: str) -> None:
        super().write_heading(
            click.style(heading, bold=True)
        )  # on a terminal; `click.echo` leaves it out elsewhere


class _Context(click.Context):
    formatter_class = _Help


class Command(click.Command):
    """A command with examples in its help, and the options --quiet, --verbose and --no-color.

    Its function gets all options as one object; an option given before a subcommand counts as if given after it.
    """

    context_class = _Context

    def __init__(self, *args: Any, examples: Sequence[str] = (), **kwargs: Any) -> None:
        kwargs["context_settings"] = _SETTINGS
        if "callback" in kwargs:
            kwargs["callback"] = _with_options(kwargs["callback"])
        super().__init__(*args, **kwargs)
        self.examples = tuple(examples)
        self.params += [
            click.Option(["-q", "--quiet"], is_flag=True, help="Print errors only on standard error."),
            click.Option(
                ["-v", "--verbose"], is_flag=True, help="Print details, such as which settings are used."
            ),
            click.Option(["--no-color"], is_flag=True, help="Print without colors; NO_COLOR does the same."),
        ]

    def format_help_text(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the description, and the examples right after it."""
        super().format_help_text(ctx, formatter)
        if self.examples:
            with formatter.section("Examples"):
                for example in self.examples:  # not wrapped, ready to copy
                    formatter.write(f"{'':>{formatter.current_indent}}{example}\n")


class Group(Command, click.Group):
    """A command with commands of its own; what its function does, it does where none of them is given."""

    command_class = Command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        commands = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        with formatter.section("Commands"):
            formatter.write_dl([(name, one.get_short_help_str(200)) for name, one in commands if one])


def command(*examples: str) -> Callable[[Run], Command]:
    """Make a command of a function."""
    return click.command(cls=Command, examples=examples)


def group(*examples: str, invoke_without_command: bool = False) -> Callable[[Run], Group]:
    """Make a command with commands of its own of a function."""
    return click.group(cls=Group, examples=examples, invoke_without_command=invoke_without_command)


def _with_options(run: Run) -> Callable[..., int | None]:
    @wraps(run)
    def call(**_: Any) -> int | None:
        context = click.get_current_context()
        if context.invoked_subcommand is not None:
            return None
        options = _merged(context)
        output.configure(context, verbosity=options.verbose - options.quiet, no_color=options.no_color)
        return run(options)

    return call


_RANKS: Final[dict[ParameterSource | None, int]] = {
    ParameterSource.COMMANDLINE: 2,
    ParameterSource.ENVIRONMENT: 1,
}


def _merged(context: click.Context) -> Namespace:
    chain = [context]
    while chain[0].parent is not None:
        chain.insert(0, chain[0].parent)
    merged: dict[str, Any] = {}
    ranks: dict[str, int] = {}
    for each in chain:
        for name, value in each.params.items():
            rank = _RANKS.get(each.get_parameter_source(name), 0)
            if rank >= ranks.get(name, 0):
                merged[name], ranks[name] = value, rank
    return Namespace(**merged)


def _all(decorators: Iterable[Decorator]) -> Decorator:
    """Return one decorator that adds arguments and options, shown in this order in the help."""

    def add(function: Function) -> Function:
        for decorate in reversed([*decorators]):
            function = decorate(function)
        return function

    return add


config: Final = click.option(
    "--config",
    type=PATH,
    metavar="FILE",
    envvar=VARIABLE,
    help=f"Settings, TOML. Looked for in this order: {LOOKUP}; else the defaults.",
)
by: Final = click.option("--by", metavar="NAME", required=True, help="Your name, for the history.")


one_hammer: Final = _all(
    [
        click.argument("hammer", metavar="HAMMER"),
        click.option("--site", metavar="SITE", help="Where two sites have a hammer of that name."),
    ]
)


def reason(*, required: bool) -> Decorator:
    """Add --reason."""
    default = None if required else ""
    return click.option(
        "--reason", metavar="TEXT", default=default, required=required, help="The reason, for the history."
    )


def as_json(what: str = "one object a line") -> Decorator:
    """Add --json."""
    return click.option("--json", is_flag=True, help=f"Print JSON for programs: {what}.")


def limit(description: str, default: int | None = None) -> Decorator:
    """Add --limit, a positive number."""
    return click.option("--limit", type=click.IntRange(min=1), default=default, metavar="N", help=description)


def filters(*names: str) -> Decorator:
    """Add options such as --site SITE that narrow a list."""
    return _all(click.option(f"--{name}", metavar=name.upper(), help=f"Only this {name}.") for name in names)


def period(begin: str, end: str, *, since: bool = False) -> Decorator:
    """Add --from and --to; `begin` and `end` describe their defaults. `since`: also the former name of --from."""
    former = [click.option("--since", metavar="WHEN", hidden=True)] if since else []
    first = f"From then on: {WHEN} (default: {begin})."
    last = f"Before then: {WHEN} (default: {end})."
    return _all(
        [
            click.option("--from", "begin", metavar="WHEN", help=first),
            click.option("--to", "end", metavar="WHEN", help=last),
            *former,
        ]
    )


def instants(options: Namespace, now: int, default: str | None) -> tuple[int | None, int | None]:
    """Return --from and --to in ns; durations reach back from `now`, and `default` replaces a missing --from.

    None: without a bound. Raises Refused if they are not times, or not in order.
    """
    from strikewatch.service.time_window import check_order, parse_period

    begin, end = parse_period(options.begin or getattr(options, "since", None) or default, options.end, now)
    check_order(begin, now if end is None else end)
    return begin, end


allow_loss: Final = click.option(
    "--allow-loss",
    type=float,
    default=1.0,
    metavar="PERCENT",
    help="Share of a recording that may be unusable (default: 1). More is an error, exit code 2.",
)


def source(*, required: bool) -> Decorator:
    """Add --source and what belongs to it: logger files are read by a table of sources.toml."""
    return _all(
        [
            click.option(
                "--source",
                metavar="NAME",
                required=required,
                help="Source that says how logger files are read.",
            ),
            click.option(
                "--sources",
                type=PATH,
                metavar="FILE",
                help="Tables of sources (default: `sources_file` of the settings, else ./sources.toml).",
            ),
            click.option(
                "--start",
                metavar="TIME",
                help="Start of a log that has no date or a wrong one, such as 2026-03-04T07:15:00+01:00.",
            ),
        ]
    )


_HOW_TO_READ: Final = (
    click.option(
        "--column",
        multiple=True,
        metavar="NAME=COLUMN",
        help="Column of time, hammer, site or a channel, such as pressure_bar='Druck [bar]'. Repeatable.",
    ),
    click.option("--as-hammer", metavar="HAMMER", help="Hammer of tables without a hammer column."),
    click.option(
        "--as-site", metavar="SITE", help="Site of tables without a site column (default: their folder)."
    ),
    click.option(
        "--zone", metavar="ZONE", help="Time zone of times without an offset, such as Europe/Vienna."
    ),
    allow_loss,
)


def shifts(*, required: bool, count: int = -1) -> Decorator:
    """Add the paths of recorded shifts, any number or one, and how tables in another form are read."""
    path = "PATH" if count == 1 else "PATH..."
    paths = click.argument(
        "paths",
        nargs=count,
        required=required,
        type=PATH,
        metavar=path if required else "[PATH]...",
        callback=lambda _context, _param, given: [given] if count == 1 else [*given],
    )
    return _all([paths, *_HOW_TO_READ])


master: Final = click.option(
    "--master",
    metavar="MASTER",
    help="Spark's master, such as local[2] (default: all cores of this machine, or what spark-submit gives).",
)
