"""`strikewatch sources`: connect a gateway that has topics and payloads of its own."""

import json
import time
from argparse import Namespace
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import load_settings
from strikewatch.cli.source_tables import TopicHeard, load_tables, show_heard, show_totals, show_trial
from strikewatch.errors import InputError

if TYPE_CHECKING:
    from strikewatch.settings.tree import Settings
    from strikewatch.sources.mapping.authoring.trial import Captured

MAX_TOPICS = 2_000
"""Topics listed by `listen`; messages of more are counted together."""
MAX_KEPT_BYTES = 64 * 1024 * 1024
"""Payloads that `listen` and `propose` keep."""


def _tables_option() -> shared.Decorator:
    return click.option(
        "--sources",
        "tables",
        type=shared.PATH,
        metavar="FILE",
        help="Tables of sources (default: `sources_file` of the settings, else ./sources.toml).",
    )


_seconds = click.option(
    "--seconds",
    type=click.FloatRange(0.1, 86_400),
    default=30.0,
    show_default=True,
    help="How long to listen.",
)
_filters = click.option(
    "--topic",
    "filters",
    multiple=True,
    metavar="FILTER",
    help="Topic filter to listen to (default: #); repeatable.",
)


@shared.group(
    "strikewatch sources listen --seconds 30",
    "strikewatch sources propose --seconds 30 > sources.toml",
    "strikewatch sources check",
    "strikewatch sources try telem captured.json --topic v1/fennick-hollow/HB-01/telem",
)
def sources(_options: Namespace) -> None:
    """Connect a gateway with topics and payloads of its own, by a table in sources.toml.

    In this order: listen, propose, check, try, run. See: strikewatch guide gateway.
    """


@sources.command(
    "check",
    examples=("strikewatch sources check", "strikewatch sources check --sources sources.toml"),
    short_help="Check the tables; print subscriptions and the broker's access list.",
)
@_tables_option()
@shared.config
@shared.as_json("one source a line")
def check(options: Namespace) -> None:
    """Check the tables of sources: all mistakes at once, each with its place and a suggestion.

    Without a mistake, print what each source subscribes to, and the lines that the broker's access list needs. The exit
    code is 2 for mistakes.
    """
    from strikewatch.sources.mapping import Sources

    path, tables, settings = load_tables(options)
    compiled = Sources(tables)
    records = [
        {
            "source": name,
            "payload": table.payload,
            "topics": list(table.topics),
            "file": table.file,
            "filters": {each.filter: compiled.filters[each.filter] for each in compiled.by_name[name].topics},
            "channels": list(table.channels),
            "event": bool(table.event),
        }
        for name, table in tables.items()
    ]
    if options.json:
        output.print_json(records)
        return
    console = output.tables()
    shown = output.plain_table("source", "payload", "subscribes to", "QoS", "gives", wrap=("gives",))
    for name, table in tables.items():
        filters = [each.filter for each in compiled.by_name[name].topics] or [f"file {table.file}"]
        qos = [str(compiled.filters.get(each, "")) for each in filters]
        gives = ", ".join([*table.channels, *(["events"] if table.event else [])])
        shown.add_row(name, table.payload, "\n".join(filters), "\n".join(qos), gives)
    console.print(shown)
    if compiled:
        console.print("\nFor the access list of the broker (Mosquitto):\n", style="dim")
        user = settings.mqtt.username if settings is not None else None
        for line in compiled.access_list(user or "processor"):
            console.print(line)
    console.print(f"\n{path}: no mistake.", style="dim")
    if settings is not None and settings.sources_file is None:
        console.print(f'The settings do not name it yet: sources_file = "{path}"', style="dim")


@sources.command(
    "try",
    examples=(
        "strikewatch sources try telem captured.json --topic v1/fennick-hollow/HB-01/telem",
        "strikewatch sources try hub heard.jsonl",
    ),
    short_help="Show what a source makes of captured payloads.",
)
@click.argument("name", metavar="NAME")
@click.argument("files", nargs=-1, required=True, type=shared.PATH, metavar="FILE...")
@click.option("--topic", metavar="TOPIC", help="Topic of payloads that are captured without one.")
@click.option(
    "--received", metavar="TIME", help="When they were received, such as 2026-03-04T07:15:00Z (default: now)."
)
@_tables_option()
@shared.config
@shared.as_json("one message a line")
def try_(options: Namespace) -> int:
    """Show what the source NAME makes of captured payloads: rows, events, what is rejected or passed over.

    FILE holds one payload, or one a line (optionally after its topic), or was written by `listen --to`; binary
    payloads may be in hex. A folder means all of its files. The summary says what the table probably misses. The exit
    code is 1 if something is rejected or there is no value.
    """
    from strikewatch.core import instant
    from strikewatch.core.printable import printable
    from strikewatch.service.captures import read_captures
    from strikewatch.sources.mapping.authoring.trial import Trials
    from strikewatch.sources.mapping.tables import close

    path, tables, _ = load_tables(options)
    if options.name not in tables:
        named = ", ".join(tables) or "none"
        raise InputError(
            f"{options.name}: no such source in {path}{close(options.name, tables)}; there are: {named}"
        )
    table = tables[options.name]
    if not table.topics:
        raise InputError(f"{options.name}: is a source of files; use `strikewatch convert`")
    try:
        received = time.time_ns() if options.received is None else instant.parse(options.received)
    except ValueError as error:
        raise InputError(f"--received {options.received}: {error}") from None
    trials = Trials({options.name: table})
    messages = read_captures(options.files, received, options.topic, table)
    tried = [trial for message in messages if (trial := trials.take(message)).sources]
    if not tried:
        other = f" such as {printable(messages[0].topic)}" if messages else ""
        raise InputError(
            f"{options.name}: takes none of these topics{other}; its topics are {', '.join(table.topics)}"
        )
    if len(tried) < len(messages):
        others = output.counted(len(messages) - len(tried), "message")
        output.notes().print(f"{others} on topics that {options.name} does not take", style="dim")
    advice = [what for _, what in trials.advice()]
    if options.json:
        output.print_json(trial.json() for trial in tried)
    else:
        console = output.tables()
        for trial in tried:
            show_trial(console, trial)
        show_totals(console, tried, advice)
    clean = not any(trial.mapped.rejects for trial in tried)
    return 0 if clean and any(trial.mapped.values or trial.mapped.events for trial in tried) else 1


@sources.command(
    "listen",
    examples=(
        "strikewatch sources listen --seconds 30",
        "strikewatch sources listen --topic 'gw/#' --to heard.jsonl",
    ),
    short_help="Listen at the broker: topics, which source takes each, its rows.",
)
@_seconds
@_filters
@click.option(
    "--to",
    type=shared.PATH,
    metavar="FILE",
    help="Also write the messages to a file, for `try` and `propose`.",
)
@_tables_option()
@shared.config
@shared.as_json("one topic a line")
def listen(options: Namespace) -> None:
    """Listen at the broker of the settings: which topics there are, which source takes each, and what it gives.

    The processor may be running: this has a client id and a session of its own, and takes no message away from it.
    """
    from strikewatch.service.captures import to_json
    from strikewatch.sources.mapping.authoring.trial import Trials

    settings = load_settings(options.config)
    path = options.tables or settings.sources_file or Path("sources.toml")
    tables = load_tables(options)[1] if options.tables or path.is_file() else {}
    trials, topics, others = Trials(tables), dict[str, TopicHeard](), 0
    kept = []
    size = 0
    for message in _hear(options, settings):
        if options.to is not None and size < MAX_KEPT_BYTES:
            kept.append(json.dumps(to_json(message), ensure_ascii=False))
            size += len(kept[-1])
        if message.topic not in topics and len(topics) >= MAX_TOPICS:
            others += 1
            continue
        topics.setdefault(message.topic, TopicHeard()).add(trials.take(message))
    if options.to is not None:
        options.to.write_text("".join(f"{line}\n" for line in kept), encoding="utf-8")
    if options.json:
        output.print_json({"topic": name, **topic.record()} for name, topic in sorted(topics.items()))
        return
    show_heard(topics, others, trials, settings)
    if options.to is not None:
        output.notes().print(f"{output.counted(len(kept), 'message')} written to {options.to}", style="dim")


@sources.command(
    "propose",
    examples=(
        "strikewatch sources propose --seconds 30 > sources.toml",
        "strikewatch sources propose --from heard.jsonl --site fennick-hollow",
    ),
    short_help="Write a first table from what is heard.",
)
@click.option(
    "--from", "files", multiple=True, type=shared.PATH, metavar="FILE", help="Captured messages; repeatable."
)
@click.option(
    "--topic",
    "filters",
    multiple=True,
    metavar="FILTER",
    help="Topic filter to listen to, or the topic of FILE.",
)
@_seconds
@click.option("--site", metavar="SITE", help="Id of the site, for topics that name none.")
@shared.config
def propose(options: Namespace) -> None:
    """Write a first table of sources from what is heard at the broker, or from captured messages.

    It is a proposal: channels are guessed from names and values, and comments say what to confirm. Topics of the
    contract and those that a table already takes are left out.
    """
    from strikewatch.service.captures import read_captures
    from strikewatch.sources.mapping import Sources, read_tables
    from strikewatch.sources.mapping.authoring.propose import propose as propose_tables

    taken: Sources | None = None
    prefix = "strikewatch"
    if options.files:
        topic = options.filters[0] if options.filters else None
        messages: Iterable[Captured] = read_captures(options.files, time.time_ns(), topic)
    else:
        settings = load_settings(options.config)
        prefix = settings.mqtt.prefix
        if settings.sources_file is not None:
            taken = Sources(read_tables(settings.sources_file)[0])
        messages = _hear(options, settings)
    kept, size = [], 0
    for message in messages:
        if message.topic.startswith((f"{prefix}/", "$")) or (
            taken is not None and taken.taken(message.topic)
        ):
            continue
        size += len(message.payload)
        if size > MAX_KEPT_BYTES:
            output.notes().print(
                "more messages arrived than are kept; narrow them with --topic", style="yellow"
            )
            break
        kept.append(message)
    text = propose_tables(kept, options.site)
    if not text:
        raise InputError("no message arrived on a topic without a source; see `strikewatch sources listen`")
    print(text, end="")


@sources.command(
    "describe",
    examples=("strikewatch sources describe > asyncapi.json",),
    short_help="Print an AsyncAPI description of all topics taken in.",
)
@_tables_option()
@shared.config
def describe(options: Namespace) -> None:
    """Print an AsyncAPI 3.0 description of what is taken in, as JSON: the contract's topics and the mapped sources'."""
    from strikewatch.sources.describe import describe as describe_all

    settings = load_settings(options.config)
    tables = load_tables(options)[1] if options.tables or settings.sources_file else {}
    print(json.dumps(describe_all(tables, settings.mqtt.prefix), indent=2, ensure_ascii=False))


def _hear(options: Namespace, settings: "Settings") -> "Iterable[Captured]":
    """Yield what the broker sends for the time asked for."""
    from strikewatch.service.captures import Listener

    filters = options.filters or ("#",)
    seconds = options.seconds
    with (
        Listener(settings.mqtt, filters) as listener,
        output.progress_status(
            f"Listening for {seconds:g} s to {', '.join(filters)} at {settings.mqtt.host}"
        ),
    ):
        yield from listener.messages(seconds)
        if listener.missed:
            output.notes().print(
                f"{listener.missed:,} messages came too fast and are not shown", style="yellow"
            )
