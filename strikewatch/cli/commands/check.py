"""`strikewatch check`: whether everything that the processor needs is there."""

from argparse import Namespace
from dataclasses import asdict

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import load_settings


@click.command(cls=shared.Command, examples=("strikewatch check --config strikewatch.toml",))
@shared.config
@shared.as_json("one finding a line")
@shared.with_options
def command(options: Namespace) -> int:
    """Check settings, broker, database, endpoints, disk and clock; print what to do about each problem.

    The processor may be running. The exit code is 1 where there is trouble.
    """
    from rich.table import Table

    from strikewatch.errors import SettingsError
    from strikewatch.service.health_check import CheckResult, check_all

    try:
        settings = load_settings(options.config)
        with output.progress_status("Checking"):
            found = [CheckResult("settings", "ok", "all can be used"), *check_all(settings)]
    except SettingsError as error:
        found = [
            CheckResult("settings", "trouble", f"{path}: {what}", "see config/strikewatch.toml")
            for path, what in error.problems
        ]
    if options.json:
        output.print_json(map(asdict, found))
    else:
        table = Table(box=None, pad_edge=False)
        for title in ("what", "how", "seen", "remedy"):
            table.add_column(title)
        for result in found:
            table.add_row(result.what, result.word, result.seen, result.remedy)
        output.tables().print(table, markup=False)
    return 1 if any(result.word == "trouble" for result in found) else 0
