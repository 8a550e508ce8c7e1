"""`strikewatch demo`: an invented site on this machine."""

from argparse import Namespace

import click

from strikewatch.cli import options as shared


@click.command(cls=shared.Command, examples=("strikewatch demo", "strikewatch demo --seconds 60"))
@click.option("--seconds", type=float, metavar="N", help="End after N seconds (default: at Ctrl-C).")
@shared.with_options
def command(options: Namespace) -> int:
    """Run an invented site on this machine, with nothing to install: a broker, hammers, the processor and its page."""
    from strikewatch.cli.demo_run import run_demo

    return run_demo(options.seconds)
