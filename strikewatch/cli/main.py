"""The commands, thin: each reads its arguments, loads what it needs, and leaves the work to a host."""

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from strikewatch.cli.arguments import (
    alerts,
    baseline,
    deliveries,
    due,
    guide,
    recordings,
    rejects,
    review,
    token,
    usage,
    wear,
    what_if,
)
from strikewatch.disclaimer import CAUTION
from strikewatch.errors import InputError, Refused, SettingsError, StrikewatchError


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit code: 0 done, 1 failed at work, 2 unusable input, settings or request."""
    options = _parser().parse_args(arguments)
    try:
        code: int = options.run(options)
    except (InputError, Refused, SettingsError) as error:
        print(f"strikewatch: {error}", file=sys.stderr)
        return 2
    except StrikewatchError as error:
        print(f"strikewatch: {error}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        # Whoever read our output has gone: nobody is left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130
    return code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="strikewatch",
        description="Watches hydraulic breakers at work: time in one spot, hot oil, blank firing, missed greasing.",
        epilog=f"What counts as a fault, exactly: strikewatch guide faults. {CAUTION}",
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    config = argparse.ArgumentParser(add_help=False)
    named = os.environ.get("STRIKEWATCH_CONFIG")
    config.add_argument(
        "--config",
        type=Path,
        metavar="FILE",
        default=Path(named) if named else None,
        help="settings, TOML (default: $STRIKEWATCH_CONFIG, else what is built in or in a shift's folder)",
    )

    replay = commands.add_parser(
        "replay", parents=[config], help="run a recorded shift through the detectors"
    )
    replay.add_argument(
        "paths",
        type=Path,
        nargs=1,
        metavar="PATH",
        help="a shift's folder, one .parquet or .csv file, or a folder of shifts",
    )
    replay.add_argument("--json", action="store_true", help="one alert record per line instead of tables")
    replay.add_argument(
        "--bouts",
        action="store_true",
        help="each bout of firing instead of the alerts: seconds judged and suspected blank, blows, levels",
    )
    replay.add_argument("--hammer", metavar="HAMMER", help="show only this one")
    for name, dest, meant in (("from", "begin", "from then on"), ("to", "end", "before then")):
        replay.add_argument(
            f"--{name}",
            dest=dest,
            metavar="WHEN",
            help=f"show only what stood {meant}: 2026-11-25T06:00:00Z, 2h",
        )
    recordings.add(replay)
    replay.set_defaults(run=_replay)

    run = commands.add_parser("run", parents=[config], help="the live processor")
    run.set_defaults(run=_run)

    demo = commands.add_parser("demo", help="an invented site on this machine, nothing to install")
    demo.add_argument("--seconds", type=float, metavar="N", help="end after N seconds (default: at Ctrl-C)")
    demo.set_defaults(run=_demo)

    settings = commands.add_parser(
        "settings", parents=[config], help="check the settings and show what is in force"
    )
    settings.set_defaults(run=_settings)

    alerts.add(commands, config)
    baseline.add(commands, config)
    due.add(commands, config)
    deliveries.add(commands, config)
    guide.add(commands)
    rejects.add(commands, config)
    review.add(commands, config)
    what_if.add(commands, config)
    token.add(commands, config)
    usage.add(commands, config)
    wear.add(commands, config)

    survey = commands.add_parser(
        "survey", parents=[config], help="look whether all that the processor needs is there"
    )
    survey.add_argument("--json", action="store_true", help="for programs: one JSON object a line")
    survey.set_defaults(run=_survey)

    backup = commands.add_parser(
        "backup", parents=[config], help="copy the database to a file, while it is in use or not"
    )
    backup.add_argument("to", type=Path, metavar="TO", help="the copy; an older one of that name is replaced")
    backup.set_defaults(run=_backup)

    kept = commands.add_parser(
        "kept", parents=[config], help="all that is kept of an operator, as JSON lines"
    )
    kept.add_argument("operator", metavar="OPERATOR", help="the id, such as op-14")
    kept.set_defaults(run=_kept)

    forget = commands.add_parser(
        "forget", parents=[config], help="take an operator's id out of everything kept; counts stay"
    )
    forget.add_argument("operator", metavar="OPERATOR", help="the id, such as op-14")
    forget.add_argument("--yes", action="store_true", help="do it; without, only say what would be changed")
    forget.set_defaults(run=_forget)
    return parser


def _replay(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import replay as replay_command

    return replay_command.run(options)


def _run(options: argparse.Namespace) -> int:
    from strikewatch.service.run import run
    from strikewatch.settings.tree import load

    return run(load(options.config))


def _demo(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands.demo import show

    return show(options.seconds)


def _settings(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands.settings import show

    return show(options.config)


def _survey(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import check

    return check.show(options.config, as_json=options.json)


def _backup(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import storage

    return storage.copy(options.to, options.config)


def _kept(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import storage

    return storage.kept_of(options.operator, options.config)


def _forget(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import storage

    return storage.forget(options.operator, options.config, really=options.yes)


if __name__ == "__main__":
    sys.exit(main())
