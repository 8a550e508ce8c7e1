"""`strikewatch deliveries`: what waits, was sent or is parked; send again, test, switch endpoints."""

import time
from argparse import Namespace
from typing import TYPE_CHECKING, Final

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import load_database_settings, load_settings, open_connection
from strikewatch.errors import InputError, StoreError

if TYPE_CHECKING:
    from strikewatch.settings.tree import Settings

STATES: Final = ("waiting", "sent", "parked")
DEFAULT_LIMIT: Final = 50
TEST_TIMEOUT_S: Final = 90.0
"""How long a running processor may take to get round to a test."""
POLL_S: Final = 0.1


@click.group(
    cls=shared.Group,
    examples=(
        "strikewatch deliveries list --state parked",
        "strikewatch deliveries send --endpoint site-office",
        "strikewatch deliveries test site-office",
    ),
)
def command(**_: object) -> None:
    """List, resend and test deliveries; switch endpoints on and off."""


@command.command("list", examples=("strikewatch deliveries list --state parked --json",))
@click.option("--endpoint", metavar="NAME", help="Only to this endpoint.")
@click.option("--state", type=click.Choice(STATES), help="Only in this state.")
@click.option("--alert", metavar="ID", help="Only of this alert (its id, or the start of it).")
@shared.period("all", "now")
@click.option(
    "--limit",
    type=click.IntRange(min=1),
    default=DEFAULT_LIMIT,
    metavar="N",
    help=f"At most N (default: {DEFAULT_LIMIT}).",
)
@shared.config
@shared.as_json("one delivery a line")
@shared.with_options
def show_list(options: Namespace) -> int:
    """List deliveries, the newest first, and which endpoints are switched off.

    --from and --to select by when a delivery was queued.
    """
    from strikewatch.cli.rendering import deliveries as rendering
    from strikewatch.storage.outbox import deliveries

    begin, end = shared.instants(options, time.time_ns(), None)
    with open_connection(options.config) as connection:
        found = deliveries.search(
            connection,
            endpoint=options.endpoint,
            state=options.state,
            alert=options.alert,
            begin=begin,
            end=end,
            limit=options.limit,
        )
        off = deliveries.switched_off(connection)
    if options.json:
        output.print_json(delivery.json() for delivery in found)
    else:
        rendering.show_list(output.tables(), found, off)
    return 0


@command.command("show", examples=("strikewatch deliveries show 17",))
@click.argument("number", type=int, metavar="NUMBER")
@shared.config
@shared.as_json("one object")
@shared.with_options
def show_one(options: Namespace) -> int:
    """Show the delivery NUMBER with every recorded attempt."""
    from strikewatch.cli.rendering import deliveries as rendering
    from strikewatch.storage.outbox import deliveries

    with open_connection(options.config) as connection:
        delivery, tried = deliveries.look_up(connection, options.number)
    if options.json:
        output.print_json(
            [{**delivery.json(), "tried": [attempt.json() for attempt in tried], "data": delivery.body}]
        )
    else:
        rendering.show_one(output.tables(), delivery, tried)
    return 0


@command.command(
    "send", examples=("strikewatch deliveries send 17 18", "strikewatch deliveries send --endpoint a")
)
@click.argument("numbers", type=int, nargs=-1, metavar="[NUMBER]...")
@click.option("--endpoint", metavar="NAME", help="Everything that is parked for this endpoint.")
@shared.config
@shared.as_json("one object")
@shared.with_options
def send(options: Namespace) -> int:
    """Send parked deliveries again, in order, with everything that is parked of the same alerts."""
    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.outbox import deliveries

    numbers, endpoint = options.numbers, options.endpoint
    if bool(numbers) == bool(endpoint):
        raise click.UsageError("give either NUMBER... or --endpoint NAME")
    with SharedDatabase(load_database_settings(options.config).store.where) as database:
        with database.read() as connection:
            off = deliveries.switched_off(connection)
            named = (
                {endpoint}
                if endpoint
                else {deliveries.look_up(connection, number)[0].endpoint for number in numbers}
            )
        if stopped := sorted(name for name in named if name in off):
            raise InputError(
                f"{stopped[0]} is switched off ({off[stopped[0]]}): first strikewatch deliveries on {stopped[0]}"
            )
        with database.write() as connection:
            changed = deliveries.send_again(connection, time.time_ns(), numbers=numbers, endpoint=endpoint)
    if options.json:
        output.print_json([{"again": changed}])
    else:
        print(f"{changed} to be sent again." if changed else "Nothing of that is parked.")
    return 0


@command.command("off", examples=("strikewatch deliveries off site-office --reason 'moving offices'",))
@click.argument("endpoint", metavar="ENDPOINT")
@click.option("--reason", metavar="TEXT", required=True, help="Why; shown to others.")
@shared.config
@shared.as_json("one object")
@shared.with_options
def switch_off(options: Namespace) -> int:
    """Send nothing more to ENDPOINT until it is switched on again; deliveries to it are parked."""
    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.outbox import deliveries

    settings, endpoint = load_settings(options.config), options.endpoint
    _address(settings, endpoint)
    with SharedDatabase(settings.store.where) as database, database.write() as connection:
        was_on = deliveries.switch_off(connection, endpoint, options.reason, time.time_ns())
    if options.json:
        output.print_json([{"endpoint": endpoint, "was_on": was_on}])
    else:
        print(f"{endpoint} is off{'' if was_on else ' already'}.")
    return 0


@command.command("on", examples=("strikewatch deliveries on site-office",))
@click.argument("endpoint", metavar="ENDPOINT")
@shared.config
@shared.as_json("one object")
@shared.with_options
def switch_on(options: Namespace) -> int:
    """Send to ENDPOINT again, from the next alert on."""
    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.outbox import deliveries

    settings, endpoint = load_settings(options.config), options.endpoint
    _address(settings, endpoint)
    with SharedDatabase(settings.store.where) as database, database.write() as connection:
        was_off = deliveries.switch_on(connection, endpoint)
        parked = len(deliveries.search(connection, endpoint=endpoint, state="parked"))
    if options.json:
        output.print_json([{"endpoint": endpoint, "was_off": was_off, "parked": parked}])
        return 0
    print(f"{endpoint} is on again." if was_off else f"{endpoint} was on.")
    if parked:
        print(f"{parked} are parked; to send them too: strikewatch deliveries send --endpoint {endpoint}")
    return 0


@command.command("test", examples=("strikewatch deliveries test site-office",))
@click.argument("endpoint", metavar="ENDPOINT")
@shared.config
@shared.as_json("one object")
@shared.with_options
def test(options: Namespace) -> int:
    """Send a test to ENDPOINT as an alert is sent: through the outbox, signed.

    A running processor sends it; without attempt, this command does. The exit code is 1 where it is not accepted.
    """
    from strikewatch.cli.rendering import deliveries as rendering
    from strikewatch.sinks import log
    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.outbox import deliveries

    settings, endpoint = load_settings(options.config), options.endpoint
    address = _address(settings, endpoint)
    log.set_up(settings.log)
    with output.progress_status(f"Sending to {endpoint}"):
        number = _send_test(settings, endpoint)
    with SharedDatabase(settings.store.where) as database, database.read() as connection:
        delivery, tried = deliveries.look_up(connection, number)
        off = deliveries.switched_off(connection).get(endpoint)
    if options.json:
        output.print_json([{**delivery.json(), "tried": [attempt.json() for attempt in tried], "off": off}])
    else:
        rendering.show_test(output.tables(), address, delivery, tried, off, TEST_TIMEOUT_S)
    return 0 if delivery.state == "sent" else 1


def _send_test(settings: "Settings", endpoint: str) -> int:
    """Queue a test, have it sent, and return its number."""
    from strikewatch.service.endpoints import endpoints, open_store
    from strikewatch.sinks.delivery_loop import DeliveryLoop
    from strikewatch.storage.outbox import deliveries
    from strikewatch.storage.outbox.messages import Outbox

    try:
        store = open_store(settings)
    except StoreError:  # a processor is running; or else what follows says what is wrong with the database
        return _send_test_by_processor(settings, endpoint)
    try:
        with store.write() as connection:
            number = deliveries.queue_test(connection, endpoint, time.time_ns())
        (ours,) = [one for one in endpoints(settings, store) if one.name == endpoint]
        outbox = Outbox(store, endpoint)
        if outbox.off_reason is None:
            DeliveryLoop(outbox, ours, time.time_ns, time.monotonic_ns).send_now(number)
    finally:
        store.close()
    return number


def _send_test_by_processor(settings: "Settings", endpoint: str) -> int:
    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.outbox import deliveries

    with SharedDatabase(settings.store.where) as database:
        with database.write() as connection:
            number = deliveries.queue_test(connection, endpoint, time.time_ns())
        until = time.monotonic() + TEST_TIMEOUT_S
        while time.monotonic() < until:
            with database.read() as connection:
                delivery, tried = deliveries.look_up(connection, number)
                if tried or delivery.state != "waiting" or endpoint in deliveries.switched_off(connection):
                    break
            time.sleep(POLL_S)
    return number


def _address(settings: "Settings", endpoint: str) -> str:
    """Return where an endpoint is. Raises InputError where the settings have none of that name."""
    from strikewatch.service.endpoints import addresses

    known = addresses(settings)
    if endpoint not in known:
        raise InputError(
            f"the settings name no endpoint {endpoint!r}; there are: {', '.join(known) or 'none'}"
        )
    return known[endpoint]
