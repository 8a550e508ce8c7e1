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

Function = Callable[..., int]
Decorator = Callable[[Function], Function]

WHEN: Final = "2026-11-25T06:00:00Z, or 2h, 3d ago"
PATH: Final = click.Path(path_type=Path)
SETTINGS: Final[dict[str, Any]] = {"help_option_names": ["-h", "--help"], "max_content_width": 110}


def write_examples(formatter: click.HelpFormatter, examples: Iterable[str]) -> None:
    """Write the section of examples, one a line, ready to copy."""
    with formatter.section("Examples"):
        for example in examples:
            formatter.write(f"{'':>{formatter.current_indent}}{example}\n")


class _WithExamples(click.Command):
    """Adds examples to the help, and the options --quiet and --verbose."""

    def __init__(self, *args: Any, examples: Sequence[str] = (), **kwargs: Any) -> None:
        kwargs["context_settings"] = SETTINGS | kwargs.get("context_settings", {})
        super().__init__(*args, **kwargs)
        self.examples = tuple(examples)
        self.params += [
            click.Option(["-q", "--quiet"], is_flag=True, help="Print errors only on standard error."),
            click.Option(
                ["-v", "--verbose"], is_flag=True, help="Print details, such as which settings are used."
            ),
        ]

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        if self.examples:
            write_examples(formatter, self.examples)
        super().format_epilog(ctx, formatter)


class Command(_WithExamples):
    """A command that does something."""


class Group(_WithExamples, click.Group):
    """A command with commands of its own."""

    command_class = Command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        commands = [(name, self.get_command(ctx, name)) for name in self.list_commands(ctx)]
        with formatter.section("Commands"):
            formatter.write_dl([(name, one.get_short_help_str(200)) for name, one in commands if one])


def with_options(run: Callable[[Namespace], int]) -> Callable[..., int]:
    """Call `run` with all options as one object; an option given before a subcommand counts as if given after it."""

    @wraps(run)
    def call(**_: Any) -> int:
        context = click.get_current_context()
        options = _merged(context)
        output.set_verbosity(context, options.verbose - options.quiet)
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


def config(command: Function) -> Function:
    """Add --config."""
    return click.option(
        "--config",
        type=PATH,
        metavar="FILE",
        envvar=VARIABLE,
        help=f"Settings, TOML. Looked for in this order: {LOOKUP}; else the defaults.",
    )(command)


def as_json(what: str = "one object a line") -> Decorator:
    """Add --json."""
    return click.option("--json", is_flag=True, help=f"Print JSON for programs: {what}.")


def filters(*names: str) -> Decorator:
    """Add options such as --site SITE that narrow a list."""

    def add(command: Function) -> Function:
        for name in reversed(names):
            command = click.option(f"--{name}", metavar=name.upper(), help=f"Only this {name}.")(command)
        return command

    return add


def period(begin: str, end: str, *, since: bool = False) -> Decorator:
    """Add --from and --to; `begin` and `end` describe their defaults. `since`: also the former name of --from."""

    def add(command: Function) -> Function:
        if since:
            command = click.option("--since", metavar="WHEN", hidden=True)(command)
        command = click.option("--to", "end", metavar="WHEN", help=f"Before then: {WHEN} (default: {end}).")(
            command
        )
        return click.option(
            "--from", "begin", metavar="WHEN", help=f"From then on: {WHEN} (default: {begin})."
        )(command)

    return add


def instants(options: Namespace, now: int, default: str | None) -> tuple[int | None, int | None]:
    """Return --from and --to in ns; durations reach back from `now`, and `default` replaces a missing --from.

    None: without a bound. Raises Refused if they are not times, or not in order.
    """
    from strikewatch.service.time_window import check_order, parse_period

    begin, end = parse_period(options.begin or getattr(options, "since", None) or default, options.end, now)
    check_order(begin, now if end is None else end)
    return begin, end


def by(command: Function) -> Function:
    """Add --by, which is required."""
    return click.option("--by", metavar="NAME", required=True, help="Your name, for the history.")(command)


def reason(*, required: bool) -> Decorator:
    """Add --reason."""
    return click.option(
        "--reason",
        metavar="TEXT",
        default=None if required else "",
        required=required,
        help="The reason, for the history.",
    )


def shifts(*, required: bool) -> Decorator:
    """Add the paths of recorded shifts, and how tables in another form are read."""
    return _shifts(-1, required)


def one_shift(command: Function) -> Function:
    """Add the path of a recorded shift, as a list of one, and how tables in another form are read."""
    return _shifts(1, True)(command)


def _shifts(count: int, required: bool) -> Decorator:
    def add(command: Function) -> Function:
        for names, more in reversed(_RECORDINGS):
            command = click.option(*names, **more)(command)
        return click.argument(
            "paths",
            nargs=count,
            required=required,
            type=PATH,
            metavar="PATH" if count == 1 else "PATH..." if required else "[PATH]...",
            callback=lambda _context, _param, value: list(value) if count == -1 else [value],
        )(command)

    return add


_RECORDINGS: Final[Sequence[tuple[tuple[str, ...], dict[str, Any]]]] = (
    (
        ("--column",),
        {
            "multiple": True,
            "metavar": "NAME=COLUMN",
            "help": "Column of time, hammer, site or a channel, such as pressure_bar='Druck [bar]'. Repeatable.",
        },
    ),
    (("--as-hammer",), {"metavar": "HAMMER", "help": "Hammer of tables without a hammer column."}),
    (
        ("--as-site",),
        {"metavar": "SITE", "help": "Site of tables without a site column (default: their folder)."},
    ),
    (
        ("--zone",),
        {"metavar": "ZONE", "help": "Time zone of times without an offset, such as Europe/Vienna."},
    ),
    (
        ("--allow-loss",),
        {
            "type": float,
            "default": 1.0,
            "metavar": "PERCENT",
            "help": "Share of a recording that may be unusable (default: 1). More is an error, exit code 2.",
        },
    ),
)
