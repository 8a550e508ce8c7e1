"""`strikewatch COMMAND`: find the command, run it, and turn errors into messages and exit codes.

A command's module in `commands/` is imported when the command is used.
"""

import errno
import gc
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any, Final

import click
from click.exceptions import Exit, NoArgsIsHelpError, NoSuchCommand

from strikewatch.cli.options import Command, Group
from strikewatch.disclaimer import CAUTION
from strikewatch.errors import InputError, Refused, SettingsError, StrikewatchError

NAME: Final = "strikewatch"
COMPLETE: Final = "_STRIKEWATCH_COMPLETE"
EXIT_CODES: Final = (
    "Exit codes: 0 done, 1 failed or trouble found, 2 unusable input, settings or request, 130 interrupted."
)
SECTIONS: Final[dict[str, dict[str, tuple[str, str]]]] = {
    "Start here": {
        "demo": ("start", "Run an invented site on this machine, with nothing to install."),
        "guide": ("start", "Show a user guide, or list them."),
        "completion": ("start", "Print the shell completion script."),
    },
    "Recorded shifts": {
        "replay": ("replay", "Run recorded shifts through the detectors."),
        "convert": ("replay", "Turn logger files into a recorded shift."),
        "what-if": ("what_if", "Replay shifts under other settings and compare."),
        "fleet": ("fleet", "Replay and review many hammers on Apache Spark."),
    },
    "Live": {
        "run": ("live", "Run the live processor."),
        "check": ("live", "Check settings, broker, database and disk."),
        "settings": ("live", "Check the settings and print those in force."),
        "sources": ("sources", "Connect gateways that have topics and payloads of their own."),
        "channels": ("feeds", "List the channels of a feed: units, hold times, ranges."),
        "rejects": ("feeds", "List data that was not used, by sender and reason."),
        "deliveries": ("deliveries", "List, resend and test deliveries; switch endpoints."),
    },
    "Alerts": {
        "alerts": ("alerts", "List, acknowledge and shelve alerts."),
        "hammer": ("alerts", "Take a hammer out of service, or put it back."),
        "alarm-metrics": ("alarm_metrics", "Compare the alert load with published targets."),
    },
    "Maintenance": {
        "due": ("maintenance", "List what is due for each hammer."),
        "usage": ("usage", "Show the use and misuse of each hammer."),
        "wear": ("maintenance", "Show bushing and tool wear by inspections."),
        "tools": ("maintenance", "Show fitted tools and how long tools last."),
        "baseline": ("usage", "Show or relearn each hammer's loaded pressure."),
    },
    "Training": {
        "review": ("training", "Make the trainer's review of a period."),
        "coaching": ("training", "Log whom you coached on what; list it."),
    },
    "Administration": {
        "token": ("administration", "Manage access to the HTTP interface."),
        "backup": ("administration", "Copy the database, in use or not."),
        "restore": ("administration", "Restore a copy, and replay what was recorded since."),
        "export-operator": ("administration", "Print everything stored about an operator."),
        "erase-operator": ("administration", "Remove an operator's id; counts are kept."),
    },
}
"""Every command by section: its module in `commands/`, which has it as a variable of its name, and a summary."""
COMMANDS: Final = {name: entry for section in SECTIONS.values() for name, entry in section.items()}
RENAMED: Final = {
    "survey": "check",
    "suppose": "what-if",
    "kept": "export-operator",
    "forget": "erase-operator",
    "use": "usage",
    "figures": "alarm-metrics",
}
"""Earlier names, still accepted with a notice."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code (see EXIT_CODES)."""
    gc.set_threshold(20_000, 10, 10)  # with the default a fifth of the time of imports goes into collections
    # to look for plugins, pydantic reads the metadata of every installed package
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    # numpy's linear algebra is hardly used; its threads spin while they start, and take half the time of importing it
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = sys.argv[1:] if arguments is None else list(arguments)
    if words[:1] == ["help"]:
        words = [*words[1:], "--help"]
    if instruction := os.environ.get(COMPLETE):
        from click.shell_completion import shell_complete

        return shell_complete(root, {}, NAME, COMPLETE, instruction)
    try:
        code = _run(words)
        if sys.stdout is not None:  # it was closed before the start
            sys.stdout.flush()
    except BrokenPipeError:  # the reader has closed the pipe, which is not a failure
        _discard_output()
        return 0
    except OSError as error:
        if error.errno != errno.ENOSPC:
            raise
        _print_error(f"the output cannot be written ({error.strerror}); make room, or write it elsewhere")
        _discard_output()
        return 1
    return code


def _discard_output() -> None:
    """Let Python, which flushes again at exit, do so into the null device."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _run(words: list[str]) -> int:
    try:
        with root.make_context(NAME, words) as context:
            return int(root.invoke(context) or 0)
    except Exit as done:
        return done.exit_code
    except NoArgsIsHelpError as error:
        error.show()
        return 2
    except click.ClickException as error:
        _print_error(error.format_message())
        if isinstance(error, click.UsageError) and error.ctx is not None:
            print(f"Try: {error.ctx.command_path} --help", file=sys.stderr)
        return 2
    except StrikewatchError as error:
        _print_error(str(error))
        return 2 if isinstance(error, InputError | Refused | SettingsError) else 1
    except (KeyboardInterrupt, click.Abort):
        _print_error("interrupted")
        return 130


def _print_error(message: str) -> None:
    print(f"{NAME}: {message}", file=sys.stderr)


def load(name: str) -> Command:
    """Import the command of that name."""
    module, summary = COMMANDS[name]
    variable = name.replace("-", "_")
    command: Command = getattr(import_module(f"strikewatch.cli.commands.{module}"), variable)
    command.name, command.short_help = name, summary
    return command


class _Root(Group):
    """The root command; the other commands are imported when they are used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        name = RENAMED.get(cmd_name, cmd_name)
        if name not in COMMANDS:
            return None
        if name != cmd_name and not ctx.resilient_parsing:
            click.echo(f"{NAME}: `{cmd_name}` is now `{name}`; the old name will be removed.", err=True)
        return load(name)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except NoSuchCommand as error:
            raise NoSuchCommand(error.command_name, possibilities=COMMANDS, ctx=ctx) from None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        del ctx
        for title, commands in SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl([(name, summary) for name, (_, summary) in commands.items()])

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[Any]:
        """Complete names of commands without importing any."""
        from click.shell_completion import CompletionItem

        found = [
            CompletionItem(name, help=summary)
            for name, (_, summary) in COMMANDS.items()
            if name.startswith(incomplete)
        ]
        return found + click.Command.shell_complete(self, ctx, incomplete)


def _print_version(context: click.Context, _param: click.Parameter, wanted: bool) -> None:
    if wanted and not context.resilient_parsing:
        from importlib.metadata import version

        click.echo(f"{NAME} {version(NAME)}")
        context.exit()


root: Final = _Root(
    NAME,
    help="Watch hydraulic breakers at work: time in one spot, hot oil, blank firing, missed greasing.",
    epilog=f"{EXIT_CODES} What counts as a fault: {NAME} guide faults. {CAUTION}",
    examples=(
        "strikewatch demo",
        "strikewatch replay replay_data/hot-bench",
        "strikewatch run --config strikewatch.toml",
        "strikewatch alerts --priority high",
        "strikewatch due --site fennick-hollow",
        "strikewatch review --from 7d --html review.html",
        "strikewatch token add kim --role act",
    ),
    params=[
        click.Option(
            ["--version"],
            is_flag=True,
            is_eager=True,
            expose_value=False,
            callback=_print_version,
            help="Print the version.",
        )
    ],
)

if __name__ == "__main__":
    sys.exit(main())
