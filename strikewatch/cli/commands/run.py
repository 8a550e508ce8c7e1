"""`strikewatch run`: the live processor."""

from argparse import Namespace

import click

from strikewatch.cli import options as shared
from strikewatch.cli.settings_file import load_settings


@click.command(cls=shared.Command, examples=("strikewatch run --config strikewatch.toml",))
@shared.config
@shared.with_options
def command(options: Namespace) -> int:
    """Run the live processor until it is stopped.

    It reads samples from the broker, stores and sends alerts, and serves the site manager's page.
    """
    # mistakes in the settings are reported before the rest is imported
    settings = load_settings(options.config)
    from strikewatch.service.run import run

    return run(settings)
