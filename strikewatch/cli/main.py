"""`strikewatch COMMAND`: find the command, run it, and turn errors into messages and exit codes."""

import gc
import os
import sys
from collections.abc import Sequence
from typing import Any

import click
from click.exceptions import Exit, NoArgsIsHelpError, NoSuchCommand

from strikewatch.cli import tree
from strikewatch.cli.options import SETTINGS, Group, write_examples
from strikewatch.disclaimer import CAUTION
from strikewatch.errors import InputError, Refused, SettingsError, StrikewatchError

NAME = "strikewatch"
COMPLETE = "_STRIKEWATCH_COMPLETE"
EXIT_CODES = (
    "Exit codes: 0 done, 1 failed or trouble found, 2 unusable input, settings or request, 130 interrupted."
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code (see EXIT_CODES)."""
    gc.set_threshold(20_000, 10, 10)  # with the default a fifth of the time of imports goes into collections
    words = sys.argv[1:] if arguments is None else list(arguments)
    if words[:1] == ["help"]:
        words = [*words[1:], "--help"]
    if instruction := os.environ.get(COMPLETE):
        from click.shell_completion import shell_complete

        return shell_complete(root, {}, NAME, COMPLETE, instruction)
    try:
        code = _run(words)
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader has closed the pipe, which is not a failure. Python flushes again at exit, into the null device.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return code


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
        _print_usage_error(error)
        return 2
    except StrikewatchError as error:
        _print_error(str(error))
        return 2 if isinstance(error, InputError | Refused | SettingsError) else 1
    except (KeyboardInterrupt, click.Abort):
        return 130


def _print_error(message: str) -> None:
    print(f"{NAME}: {message}", file=sys.stderr)


def _print_usage_error(error: click.ClickException) -> None:
    context = error.ctx if isinstance(error, click.UsageError) else None
    _print_error(error.format_message())
    if context is not None:
        print(f"Try: {context.command_path} --help", file=sys.stderr)


class _Root(Group):
    """The root command; the other commands are imported when they are used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        del ctx
        return list(tree.ENTRIES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        name = tree.RENAMED.get(cmd_name, cmd_name)
        if name not in tree.ENTRIES:
            return None
        if name != cmd_name and not ctx.resilient_parsing:
            click.echo(f"{NAME}: `{cmd_name}` is now `{name}`; the old name will be removed.", err=True)
        return tree.load(name)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except NoSuchCommand as error:
            raise NoSuchCommand(error.command_name, possibilities=tree.ENTRIES, ctx=ctx) from None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        del ctx
        for title, entries in tree.SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl([(name, entry.summary) for name, entry in entries.items()])

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        first = (next(iter(entries.values())) for entries in tree.SECTIONS.values())
        write_examples(formatter, (f"{NAME} {entry.example}" for entry in first))
        super().format_epilog(ctx, formatter)

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[Any]:
        """Complete names of commands without importing any."""
        from click.shell_completion import CompletionItem

        found = [
            CompletionItem(name, help=entry.summary)
            for name, entry in tree.ENTRIES.items()
            if name.startswith(incomplete)
        ]
        return found + click.Command.shell_complete(self, ctx, incomplete)


def _print_version(context: click.Context, _param: click.Parameter, wanted: bool) -> None:
    if wanted and not context.resilient_parsing:
        from importlib.metadata import version

        click.echo(f"{NAME} {version(NAME)}")
        context.exit()


root = _Root(
    NAME,
    help="Watch hydraulic breakers at work: time in one spot, hot oil, blank firing, missed greasing.",
    epilog=f"{EXIT_CODES} What counts as a fault: {NAME} guide faults. {CAUTION}",
    context_settings=SETTINGS,
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
