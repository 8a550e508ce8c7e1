"""`strikewatch completion`: the script that completes commands and options in a shell."""

from argparse import Namespace

import click

from strikewatch.cli import options as shared

SHELLS = ("bash", "zsh", "fish")


@click.command(
    cls=shared.Command,
    examples=(
        'eval "$(strikewatch completion bash)"  # in ~/.bashrc; likewise for zsh',
        "strikewatch completion fish > ~/.config/fish/completions/strikewatch.fish",
    ),
)
@click.argument("shell", type=click.Choice(SHELLS))
@shared.with_options
def command(options: Namespace) -> int:
    """Print the completion script of SHELL."""
    from click.shell_completion import get_completion_class

    kind = get_completion_class(options.shell)
    assert kind is not None
    root = click.get_current_context().find_root().command
    print(kind(root, {}, "strikewatch", "_STRIKEWATCH_COMPLETE").source())
    return 0
