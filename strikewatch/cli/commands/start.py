"""`strikewatch demo`, `guide` and `completion`: what a newcomer starts with."""

import os
from argparse import Namespace
from typing import Final

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output

PAGE: Final = 80
"""Columns of a guide where no terminal says how many there are; --markdown is never wrapped."""


@shared.command("strikewatch demo", "strikewatch demo --seconds 60")
@click.option(
    "--seconds", type=click.FloatRange(0), metavar="N", help="End after N seconds (default: at Ctrl-C)."
)
def demo(options: Namespace) -> None:
    """Run an invented site on this machine, with nothing to install: a broker, hammers, the processor and its page."""
    from strikewatch.cli.demo_run import run_demo

    run_demo(options.seconds)


@shared.command("strikewatch guide", "strikewatch guide faults")
@click.argument("topic", required=False, metavar="[TOPIC]")
@click.option("--markdown", is_flag=True, help="Print the Markdown source.")
@shared.as_json("one topic a line")
def guide(options: Namespace) -> None:
    """Print the guide on TOPIC; without one, list the topics."""
    from strikewatch import guide as guides
    from strikewatch.errors import Refused

    topics, topic = guides.topics(), options.topic
    if topic is None:
        if options.json:
            output.print_json({"topic": name, "title": title} for name, title in topics.items())
        else:
            width = max(9, *map(len, topics))
            for name, title in topics.items():
                print(f"{name:<{width}}  {title}")
        return
    text = guides.text(topic)
    if text is None:
        raise Refused(f"there is no guide {topic!r}; topics: {', '.join(topics)}")
    if options.json:
        output.print_json([{"topic": topic, "markdown": text}])
    elif options.markdown:
        print(text, end="")
    else:
        _show_guide(text)


def _show_guide(markdown: str) -> None:
    """Print a guide for reading, on a terminal through the pager."""
    from rich.markdown import Markdown

    console = output.tables(PAGE)
    if not console.is_terminal:
        console.print(Markdown(markdown))
        return
    with console.capture() as page:
        console.print(Markdown(markdown))
    os.environ.setdefault("LESS", "-FRX")  # with colors; a text that fits on the screen is not paged
    click.echo_via_pager(page.get())


@shared.command(
    'eval "$(strikewatch completion bash)"  # in ~/.bashrc; likewise for zsh',
    "strikewatch completion fish > ~/.config/fish/completions/strikewatch.fish",
)
@click.argument("shell", type=click.Choice(("bash", "zsh", "fish")))
def completion(options: Namespace) -> None:
    """Print the completion script of SHELL."""
    from click.shell_completion import get_completion_class

    kind = get_completion_class(options.shell)
    assert kind is not None
    root = click.get_current_context().find_root().command
    print(kind(root, {}, "strikewatch", "_STRIKEWATCH_COMPLETE").source())
