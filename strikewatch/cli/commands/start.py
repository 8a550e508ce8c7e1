"""`strikewatch demo`, `guide` and `completion`: an invented site, the guides, completion in a shell."""

from argparse import Namespace
from typing import Final

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output

PAGE: Final = 80
"""Columns of a guide where no terminal says how many there are; --markdown is never wrapped."""


@click.command(cls=shared.Command, examples=("strikewatch demo", "strikewatch demo --seconds 60"))
@click.option("--seconds", type=float, metavar="N", help="End after N seconds (default: at Ctrl-C).")
@shared.with_options
def demo(options: Namespace) -> int:
    """Run an invented site on this machine, with nothing to install: a broker, hammers, the processor and its page."""
    from strikewatch.cli.demo_run import run_demo

    return run_demo(options.seconds)


@click.command(cls=shared.Command, examples=("strikewatch guide", "strikewatch guide faults"))
@click.argument("topic", required=False, metavar="[TOPIC]")
@click.option("--markdown", is_flag=True, help="Print the source, not rendered for reading.")
@shared.as_json("one topic a line")
@shared.with_options
def guide(options: Namespace) -> int:
    """Print the guide on TOPIC; without one, list the topics."""
    from strikewatch import guide as guides
    from strikewatch.errors import Refused

    if options.topic is None:
        topics = guides.topics()
        if options.json:
            output.print_json({"topic": name, "title": title} for name, title in topics.items())
        else:
            width = max(9, *map(len, topics))
            for name, title in topics.items():
                print(f"{name:<{width}}  {title}")
        return 0
    text = guides.text(options.topic)
    if text is None:
        raise Refused(f"there is no guide {options.topic!r}; topics: {', '.join(guides.topics())}")
    if options.json:
        output.print_json([{"topic": options.topic, "markdown": text}])
    elif options.markdown:
        print(text, end="")
    else:
        from rich.markdown import Markdown

        output.tables(PAGE).print(Markdown(text))
    return 0


@click.command(
    cls=shared.Command,
    examples=(
        'eval "$(strikewatch completion bash)"  # in ~/.bashrc; likewise for zsh',
        "strikewatch completion fish > ~/.config/fish/completions/strikewatch.fish",
    ),
)
@click.argument("shell", type=click.Choice(("bash", "zsh", "fish")))
@shared.with_options
def completion(options: Namespace) -> int:
    """Print the completion script of SHELL."""
    from click.shell_completion import get_completion_class

    kind = get_completion_class(options.shell)
    assert kind is not None
    root = click.get_current_context().find_root().command
    print(kind(root, {}, "strikewatch", "_STRIKEWATCH_COMPLETE").source())
    return 0
