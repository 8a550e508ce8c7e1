"""`strikewatch fleet bridge` and `stream`: the live messages of a fleet."""

import logging
from argparse import Namespace
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import load_settings
from strikewatch.errors import InputError

if TYPE_CHECKING:
    from pyspark.sql import DataFrame, SparkSession


@shared.command("strikewatch fleet bridge --config strikewatch.toml")
@shared.config
def bridge(options: Namespace) -> None:
    """Copy the messages of the MQTT broker to Apache Kafka until it is stopped.

    A message is acknowledged only once Kafka has it. Needs `pip install 'strikewatch[kafka]'`; see the settings of
    `kafka`.
    """
    loaded = load_settings(options.config)
    import signal
    import threading

    from strikewatch.fleet.bridge import run_bridge
    from strikewatch.sinks import log

    log.set_up(loaded.log)
    stopping = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopping.set())
    run_bridge(loaded, stopping)


@shared.command(
    "strikewatch fleet stream --files incoming/ --checkpoint checkpoint/",
    "strikewatch fleet stream --kafka broker-1:9092 --checkpoint s3a://fleet/checkpoint",
)
@click.option(
    "--files",
    type=shared.PATH,
    metavar="FOLDER",
    help="Read messages from the files that are moved into a folder.",
)
@click.option(
    "--format", "form", type=click.Choice(["json", "parquet"]), default="json", help="Form of the files."
)
@click.option("--kafka", metavar="HOST:PORT,…", help="Read messages from Apache Kafka at these servers.")
@click.option("--topic", metavar="NAME", default="strikewatch", help="Kafka's topic (default: strikewatch).")
@click.option(
    "--kafka-option",
    "kafka_options",
    metavar="NAME=VALUE",
    multiple=True,
    help="An option of Spark's Kafka source, such as kafka.security.protocol=SSL. Repeatable.",
)
@click.option(
    "--checkpoint",
    metavar="FOLDER",
    required=True,
    help="Folder of the stream's checkpoint (positions and states); every node must reach it.",
)
@click.option(
    "--to", "to", type=shared.PATH, metavar="FOLDER", help="Also write alerts and work as Parquet tables."
)
@click.option(
    "--trigger",
    "trigger_s",
    type=click.FloatRange(0.1, 3600),
    default=1.0,
    metavar="S",
    help="Seconds between micro-batches (default: 1).",
)
@click.option(
    "--batch-limit",
    type=click.IntRange(1),
    metavar="N",
    help="Most files (default 100) or Kafka messages (default 50,000) in a micro-batch.",
)
@click.option(
    "--shards",
    type=click.IntRange(1, 65_536),
    metavar="N",
    help="Parts that the hammers are divided among, at least as many as cores (default: 16). Fixed in a checkpoint.",
)
@shared.config
@shared.master
def stream(options: Namespace) -> None:
    """Find faults in the live messages of a fleet, on Spark's Structured Streaming, until it is stopped.

    Alerts go to the database of the settings, and from there to the endpoints, exactly as from `strikewatch run`. After
    a failure the stream continues from its checkpoint: no alert is missing, and none is sent as another one.
    """
    if (options.files is None) == (options.kafka is None):
        raise InputError("give either --files FOLDER or --kafka HOST:PORT")
    if options.files is not None and not options.files.is_dir():
        raise InputError(f"{options.files}: no such folder; create it, and move files of messages into it")
    kafka_options = _named_values(options.kafka_options)
    settings = load_settings(options.config)
    from strikewatch.fleet.spark import session
    from strikewatch.fleet.streaming.engine import StreamSettings
    from strikewatch.fleet.streaming.messages import from_files, from_kafka
    from strikewatch.fleet.streaming.query import OPTIONS
    from strikewatch.fleet.streaming.run import Place, run_stream
    from strikewatch.service.precompile import precompile
    from strikewatch.sinks import log

    StreamSettings.of(settings)  # refuses sources that cannot be mapped before Spark starts
    log.set_up(settings.log)
    logging.getLogger("numexpr").setLevel(logging.WARNING)
    # it repeats what ends a query, with a traceback
    logging.getLogger("py4j").setLevel(logging.WARNING if options.verbose else logging.CRITICAL)
    precompile(lambda text: output.notes().print(text, style="dim"))

    def messages(spark: "SparkSession") -> "DataFrame":
        if options.files is not None:
            return from_files(spark, options.files.absolute(), options.form, options.batch_limit or 100)
        return from_kafka(spark, options.kafka, options.topic, options.batch_limit or 50_000, kafka_options)

    place = Place(options.checkpoint, options.to, options.shards)
    with session(options.master, verbose=options.verbose, **OPTIONS) as spark:
        run_stream(spark, settings, messages, place, options.trigger_s)


def _named_values(texts: Sequence[str]) -> dict[str, str]:
    found = dict(text.partition("=")[::2] for text in texts)
    if bad := [text for text in texts if "=" not in text]:
        raise InputError(f"--kafka-option {bad[0]}: give NAME=VALUE")
    return found
