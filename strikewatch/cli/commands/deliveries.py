"""`strikewatch deliveries`: what waits, was sent or is parked; send again, test, switch endpoints."""

import time
from argparse import Namespace
from collections.abc import Mapping, Sequence
from contextlib import closing
from typing import TYPE_CHECKING, Any, Final

import click
from rich.console import Console

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.output import heading, local, plain_table, second
from strikewatch.cli.settings_file import (
    load_database_settings,
    load_settings,
    open_connection,
    open_database,
)
from strikewatch.errors import InputError, StoreError

if TYPE_CHECKING:
    from strikewatch.settings.tree import Settings
    from strikewatch.storage.outbox.deliveries import Delivery
    from strikewatch.storage.outbox.outcomes import Attempt

STATES: Final = ("waiting", "sent", "parked")
DEFAULT_LIMIT: Final = 50
TEST_TIMEOUT_S: Final = 90.0
"""How long a running processor may take to get round to a test."""
POLL_S: Final = 0.1


@shared.group(
    "strikewatch deliveries list --state parked",
    "strikewatch deliveries send --endpoint site-office",
    "strikewatch deliveries test site-office",
)
def deliveries(_options: Namespace) -> None:
    """List, resend and test deliveries; switch endpoints on and off."""


@deliveries.command("list", examples=("strikewatch deliveries list --state parked --json",))
@click.option("--endpoint", metavar="NAME", help="Only to this endpoint.")
@click.option("--state", type=click.Choice(STATES), help="Only in this state.")
@click.option("--alert", metavar="ID", help="Only of this alert (its id, or the start of it).")
@shared.period("all", "now")
@shared.limit(f"At most N (default: {DEFAULT_LIMIT}).", DEFAULT_LIMIT)
@shared.config
@shared.as_json("one delivery a line")
def list_deliveries(options: Namespace) -> None:
    """List deliveries, the newest first, and which endpoints are switched off.

    --from and --to select by when a delivery was queued.
    """
    from strikewatch.storage.outbox import deliveries as outbox

    begin, end = shared.instants(options, time.time_ns(), None)
    with open_connection(options.config) as connection:
        found = outbox.search(
            connection,
            endpoint=options.endpoint,
            state=options.state,
            alert=options.alert,
            begin=begin,
            end=end,
            limit=options.limit + 1,
        )
        off = outbox.switched_off(connection)
    listed = found[: options.limit]
    if options.json:
        output.print_json(delivery.json() for delivery in listed)
    else:
        _show_list(output.tables(), listed, off)
    if len(found) > len(listed):
        output.notes().print(f"Only the newest {len(listed)}; --limit lists more.", style="dim")


@deliveries.command("show", examples=("strikewatch deliveries show 17",))
@click.argument("number", type=int, metavar="NUMBER")
@shared.config
@shared.as_json("one object")
def show(options: Namespace) -> None:
    """Show the delivery NUMBER with every recorded attempt."""
    from strikewatch.storage.outbox import deliveries as outbox

    with open_connection(options.config) as connection:
        delivery, tried = outbox.look_up(connection, options.number)
    if options.json:
        output.print_json([{**_record(delivery, tried), "data": delivery.body}])
    else:
        _show_one(output.tables(), delivery, tried)


@deliveries.command(
    "send", examples=("strikewatch deliveries send 17 18", "strikewatch deliveries send --endpoint a")
)
@click.argument("numbers", type=int, nargs=-1, metavar="[NUMBER]...")
@click.option("--endpoint", metavar="NAME", help="Everything that is parked for this endpoint.")
@shared.config
@shared.as_json("one object")
def send(options: Namespace) -> None:
    """Send parked deliveries again, in order, with everything that is parked of the same alerts."""
    from strikewatch.storage.outbox import deliveries as outbox

    numbers, endpoint = options.numbers, options.endpoint
    if bool(numbers) == bool(endpoint):
        raise click.UsageError("give either NUMBER... or --endpoint NAME")
    with open_database(load_database_settings(options.config)) as database:
        with database.read() as connection:
            off = outbox.switched_off(connection)
            named = {outbox.look_up(connection, number)[0].endpoint for number in numbers} or {endpoint}
        for name in sorted(named & off.keys()):
            raise InputError(f"{name} is switched off ({off[name]}): first strikewatch deliveries on {name}")
        with database.write() as connection:
            changed = outbox.send_again(connection, time.time_ns(), numbers=numbers, endpoint=endpoint)
    message = f"{changed} will be sent again." if changed else "None of these is parked."
    output.print_result(options, {"again": changed}, message)


@deliveries.command("off", examples=("strikewatch deliveries off site-office --reason 'moving offices'",))
@click.argument("endpoint", metavar="ENDPOINT")
@click.option("--reason", metavar="TEXT", required=True, help="Why; shown to others.")
@shared.config
@shared.as_json("one object")
def switch_off(options: Namespace) -> None:
    """Send nothing more to ENDPOINT until it is switched on again; deliveries to it are parked."""
    from strikewatch.storage.outbox import deliveries as outbox

    settings, endpoint = load_settings(options.config), options.endpoint
    _address(settings, endpoint)
    with open_database(settings) as database, database.write() as connection:
        was_on = outbox.switch_off(connection, endpoint, options.reason, time.time_ns())
    record = {"endpoint": endpoint, "was_on": was_on}
    output.print_result(options, record, f"{endpoint} is off{'' if was_on else ' already'}.")


@deliveries.command("on", examples=("strikewatch deliveries on site-office",))
@click.argument("endpoint", metavar="ENDPOINT")
@shared.config
@shared.as_json("one object")
def switch_on(options: Namespace) -> None:
    """Send to ENDPOINT again, from the next alert on."""
    from strikewatch.storage.outbox import deliveries as outbox

    settings, endpoint = load_settings(options.config), options.endpoint
    _address(settings, endpoint)
    with open_database(settings) as database, database.write() as connection:
        was_off = outbox.switch_on(connection, endpoint)
        parked = len(outbox.search(connection, endpoint=endpoint, state="parked"))
    record = {"endpoint": endpoint, "was_off": was_off, "parked": parked}
    lines = [f"{endpoint} is on again." if was_off else f"{endpoint} was already on."]
    if parked:
        lines.append(
            f"{parked} deliveries are parked; to send them: strikewatch deliveries send --endpoint {endpoint}"
        )
    output.print_result(options, record, *lines)


@deliveries.command("test", examples=("strikewatch deliveries test site-office",))
@click.argument("endpoint", metavar="ENDPOINT")
@shared.config
@shared.as_json("one object")
def test(options: Namespace) -> int:
    """Send a test to ENDPOINT as an alert is sent: through the outbox, signed.

    A running processor sends it; without attempt, this command does. The exit code is 1 where it is not accepted.
    """
    from strikewatch.sinks import log
    from strikewatch.storage.outbox import deliveries as outbox

    settings, endpoint = load_settings(options.config), options.endpoint
    address = _address(settings, endpoint)
    log.set_up(settings.log)
    with output.progress_status(f"Sending to {endpoint}"):
        number = _send_test(settings, endpoint)
    with open_database(settings) as database, database.read() as connection:
        delivery, tried = outbox.look_up(connection, number)
        off = outbox.switched_off(connection).get(endpoint)
    if options.json:
        output.print_json([{**_record(delivery, tried), "off": off}])
    else:
        _show_test(output.tables(), address, delivery, tried, off)
    return 0 if delivery.state == "sent" else 1


def _send_test(settings: "Settings", endpoint: str) -> int:
    """Queue a test, have it sent, and return its number."""
    from strikewatch.service.endpoints import endpoints, open_store
    from strikewatch.sinks.delivery_loop import DeliveryLoop
    from strikewatch.storage.outbox.deliveries import queue_test
    from strikewatch.storage.outbox.messages import Outbox

    try:
        store = open_store(settings)
    except StoreError:  # a processor is running; or else what follows says what is wrong with the database
        return _send_test_by_processor(settings, endpoint)
    with closing(store):
        with store.write() as connection:
            number = queue_test(connection, endpoint, time.time_ns())
        (ours,) = [one for one in endpoints(settings, store) if one.name == endpoint]
        outbox = Outbox(store, endpoint)
        if outbox.off_reason is None:
            DeliveryLoop(outbox, ours, time.time_ns, time.monotonic_ns).send_now(number)
    return number


def _send_test_by_processor(settings: "Settings", endpoint: str) -> int:
    from strikewatch.storage.outbox import deliveries as outbox

    with open_database(settings) as database:
        with database.write() as connection:
            number = outbox.queue_test(connection, endpoint, time.time_ns())
        until = time.monotonic() + TEST_TIMEOUT_S
        while time.monotonic() < until:
            with database.read() as connection:
                delivery, tried = outbox.look_up(connection, number)
                if tried or delivery.state != "waiting" or endpoint in outbox.switched_off(connection):
                    break
            time.sleep(POLL_S)
    return number


def _address(settings: "Settings", endpoint: str) -> str:
    """Return the address of an endpoint. Raises InputError if the settings have no endpoint of that name."""
    from strikewatch.service.endpoints import addresses

    known = addresses(settings)
    if endpoint not in known:
        raise InputError(
            f"the settings name no endpoint {endpoint!r}; there are: {', '.join(known) or 'none'}"
        )
    return known[endpoint]


def _record(delivery: "Delivery", tried: "Sequence[Attempt]") -> dict[str, Any]:
    return {**delivery.json(), "tried": [attempt.json() for attempt in tried]}


def _show_list(console: Console, found: "Sequence[Delivery]", off: Mapping[str, str]) -> None:
    """Print the deliveries in the order given, and which endpoints are switched off."""
    for name, reason in off.items():
        console.print(
            f"{name} is switched off: {reason}. Again: strikewatch deliveries on {name}", style="bold"
        )
    columns = ("number", "endpoint", "state", "step", "alert", "about", "tries", heading("queued"), "outcome")
    table = plain_table(*columns, right=("number", "tries"), wrap=columns, gap=1)
    for delivery in found:
        table.add_row(
            str(delivery.number),
            delivery.endpoint,
            delivery.state,
            delivery.step,
            delivery.alert[:8],
            " ".join(str(delivery.body[key]) for key in ("hammer", "fault") if delivery.body.get(key)),
            str(delivery.attempts),
            second(delivery.created),
            delivery.outcome or "",
        )
    console.print(table if found else "No deliveries.")


def _show_one(console: Console, delivery: "Delivery", tried: "Sequence[Attempt]") -> None:
    """Print a delivery with every recorded attempt."""
    for name, value in delivery.json().items():
        if value is not None:
            console.print(f"{name:<11} {value}")
    for attempt in tried:
        console.print(
            f"\n{second(attempt.at_ns)} {local(attempt.at_ns):%Z}  {attempt.took_us / 1000:,.1f} ms  {attempt.outcome}"
        )
        for step in attempt.trace.splitlines():
            console.print(f"    {step}")


def _show_test(
    console: Console, address: str, delivery: "Delivery", tried: "Sequence[Attempt]", off: str | None
) -> None:
    """Print the outcome of a test of an endpoint, step by step."""
    console.print(f"{delivery.endpoint} at {address}")
    for attempt in tried:
        for step in attempt.trace.splitlines():
            console.print(f"  {step}")
        console.print(f"  {attempt.outcome}, after {attempt.took_us / 1000:,.1f} ms")
    if off is not None:
        console.print(f"It is switched off: {off}. Again: strikewatch deliveries on {delivery.endpoint}")
    elif not tried:
        console.print(
            f"No attempt within {TEST_TIMEOUT_S:.0f} s: the processor has more to send, or does not know the endpoint."
        )
    console.print("Accepted." if delivery.state == "sent" else "Not accepted.", style="bold")
