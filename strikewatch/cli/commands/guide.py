"""`strikewatch guide`: print a guide, or list them."""

from argparse import Namespace
from typing import Final

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output

PAGE: Final = 80
"""Columns of a guide where no terminal says how many there are; --markdown is never wrapped."""


@click.command(cls=shared.Command, examples=("strikewatch guide", "strikewatch guide faults"))
@click.argument("topic", required=False, metavar="[TOPIC]")
@click.option("--markdown", is_flag=True, help="Print the source, not rendered for reading.")
@shared.as_json("one topic a line")
@shared.with_options
def command(options: Namespace) -> int:
    """Print the guide on TOPIC; without one, list the topics."""
    from strikewatch import guide
    from strikewatch.errors import Refused

    if options.topic is None:
        topics = guide.topics()
        if options.json:
            output.print_json({"topic": name, "title": title} for name, title in topics.items())
        else:
            width = max(9, *map(len, topics))
            for name, title in topics.items():
                print(f"{name:<{width}}  {title}")
        return 0
    text = guide.text(options.topic)
    if text is None:
        raise Refused(f"there is no guide {options.topic!r}; topics: {', '.join(guide.topics())}")
    if options.json:
        output.print_json([{"topic": options.topic, "markdown": text}])
    elif options.markdown:
        print(text, end="")
    else:
        from rich.markdown import Markdown

        output.tables(PAGE).print(Markdown(text))
    return 0
