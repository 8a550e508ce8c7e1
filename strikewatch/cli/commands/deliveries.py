"""`strikewatch deliveries`: what waits, was sent or is parked; sent again, tried out, switched on and off."""

import json
import time
from collections.abc import Iterable, Sequence
from typing import Any, Final

from rich.console import Console
from rich.table import Table

from strikewatch.core import instant
from strikewatch.errors import InputError, StoreError
from strikewatch.service.endpoints import addresses, endpoints, open_store
from strikewatch.settings.tree import Settings
from strikewatch.sinks import log
from strikewatch.sinks.delivery_loop import Round
from strikewatch.storage.engines.shared import Beside
from strikewatch.storage.outbox import deliveries
from strikewatch.storage.outbox.attempts import Attempt
from strikewatch.storage.outbox.deliveries import Delivery
from strikewatch.storage.outbox.messages import Outbox

PATIENCE_S: Final = 90.0
"""How long a running processor may take to get round to a test."""
LOOK_S: Final = 0.1


def show_list(
    settings: Settings,
    *,
    endpoint: str | None,
    state: str | None,
    alert: str | None,
    limit: int,
    as_json: bool,
) -> int:
    """The newest deliveries that fit, and which endpoints are off."""
    with Beside(settings.store.where) as place, place.read() as connection:
        found = deliveries.search(connection, endpoint=endpoint, state=state, alert=alert, limit=limit)
        off = deliveries.off(connection)
    if as_json:
        _print_json(one.json() for one in found)
        return 0
    console = Console(highlight=False)
    for name, reason in off.items():
        console.print(
            f"{name} is switched off: {reason}. Again: strikewatch deliveries on {name}", style="bold"
        )
    table = Table(box=None, pad_edge=False)
    for title in (
        "number",
        "endpoint",
        "state",
        "step",
        "alert",
        "about",
        "tries",
        "queued (UTC)",
        "outcome",
    ):
        table.add_column(title, justify="right" if title in ("number", "tries") else "left")
    for one in found:
        about = " ".join(str(one.told[key]) for key in ("hammer", "fault") if one.told.get(key))
        at = instant.text(one.created)[:19].replace("T", " ")
        table.add_row(
            str(one.number),
            one.endpoint,
            one.state,
            one.step,
            one.alert[:8],
            about,
            str(one.attempts),
            at,
            one.outcome or "",
        )
    console.print(table if found else "No deliveries.")
    return 0


def show_one(settings: Settings, number: int, *, as_json: bool) -> int:
    """A delivery with every attempt that is on record."""
    with Beside(settings.store.where) as place, place.read() as connection:
        delivery, tried = deliveries.look_up(connection, number)
    if as_json:
        _print_json([{**delivery.json(), "tried": [one.json() for one in tried], "data": delivery.told}])
        return 0
    console = Console(highlight=False, soft_wrap=True)
    for name, value in delivery.json().items():
        if value is not None:
            console.print(f"{name:<11} {value}")
    for one in tried:
        console.print(f"\n{instant.text(one.at_ns)[:23]}  {one.took_us / 1000:,.1f} ms  {one.outcome}")
        for step in one.story.splitlines():
            console.print(f"    {step}")
    return 0


def send(settings: Settings, numbers: Sequence[int], endpoint: str | None, *, as_json: bool) -> int:
    """Parked deliveries wait for their turn again, and all that is parked of the same alerts."""
    with Beside(settings.store.where) as place:
        with place.read() as connection:
            off = deliveries.off(connection)
            named = (
                {endpoint}
                if endpoint
                else {deliveries.look_up(connection, one)[0].endpoint for one in numbers}
            )
        if stopped := sorted(name for name in named if name in off):
            raise InputError(
                f"{stopped[0]} is switched off ({off[stopped[0]]}): first strikewatch deliveries on {stopped[0]}"
            )
        with place.write() as connection:
            changed = deliveries.send_again(connection, time.time_ns(), numbers=numbers, endpoint=endpoint)
    if as_json:
        _print_json([{"again": changed}])
    else:
        print(f"{changed} to be sent again." if changed else "Nothing of that is parked.")
    return 0


def switch_off(settings: Settings, endpoint: str, reason: str, *, as_json: bool) -> int:
    """Nothing more is sent to an endpoint; what waits is parked by the processor, and so is what comes."""
    _known(settings, endpoint)
    with Beside(settings.store.where) as place, place.write() as connection:
        was_on = deliveries.switch_off(connection, endpoint, reason, time.time_ns())
    if as_json:
        _print_json([{"endpoint": endpoint, "was_on": was_on}])
    else:
        print(f"{endpoint} is off{'' if was_on else ' already'}.")
    return 0


def switch_on(settings: Settings, endpoint: str, *, as_json: bool) -> int:
    """An endpoint that was off is sent to again, from the next alert on."""
    _known(settings, endpoint)
    with Beside(settings.store.where) as place, place.write() as connection:
        was_off = deliveries.switch_on(connection, endpoint)
        parked = len(deliveries.search(connection, endpoint=endpoint, state="parked"))
    if as_json:
        _print_json([{"endpoint": endpoint, "was_off": was_off, "parked": parked}])
        return 0
    print(f"{endpoint} is on again." if was_off else f"{endpoint} was on.")
    if parked:
        print(f"{parked} are parked; to send them too: strikewatch deliveries send --endpoint {endpoint}")
    return 0


def test(settings: Settings, endpoint: str, *, as_json: bool) -> int:
    """Try the way to an endpoint: through the outbox and the courier, signed, as an alert goes; 1 if it is not taken.

    Where a processor is running its courier does it, else one of our own.
    """
    _known(settings, endpoint)
    log.set_up(settings.log)
    try:
        store = open_store(settings)
    except StoreError:  # a processor is running; or else the database says below what is wrong
        number = _through_the_processor(settings, endpoint)
    else:
        try:
            with store.write() as connection:
                number = deliveries.queue_test(connection, endpoint, time.time_ns())
            (ours,) = [one for one in endpoints(settings, store) if one.name == endpoint]
            outbox = Outbox(store, endpoint)
            if outbox.off is None:
                Round(outbox, ours, time.time_ns, time.monotonic_ns).once(number)
        finally:
            store.close()
    with Beside(settings.store.where) as place, place.read() as connection:
        delivery, tried = deliveries.look_up(connection, number)
        off = deliveries.off(connection).get(endpoint)
    if as_json:
        _print_json([{**delivery.json(), "tried": [one.json() for one in tried], "off": off}])
    else:
        _tell(settings, delivery, tried, off)
    return 0 if delivery.state == "sent" else 1


def _through_the_processor(settings: Settings, endpoint: str) -> int:
    with Beside(settings.store.where) as place:
        with place.write() as connection:
            number = deliveries.queue_test(connection, endpoint, time.time_ns())
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            with place.read() as connection:
                delivery, tried = deliveries.look_up(connection, number)
                if tried or delivery.state != "waiting" or endpoint in deliveries.off(connection):
                    break
            time.sleep(LOOK_S)
    return number


def _tell(settings: Settings, delivery: Delivery, tried: Sequence[Attempt], off: str | None) -> None:
    console = Console(highlight=False, soft_wrap=True)
    console.print(f"{delivery.endpoint} at {addresses(settings)[delivery.endpoint]}")
    for one in tried:
        for step in one.story.splitlines():
            console.print(f"  {step}")
        console.print(f"  {one.outcome}, after {one.took_us / 1000:,.1f} ms")
    if off is not None:
        console.print(f"It is switched off: {off}. Again: strikewatch deliveries on {delivery.endpoint}")
    elif not tried:
        console.print(
            f"Nothing came of it within {PATIENCE_S:.0f} s: the processor has more to send, or does not know it."
        )
    console.print("Taken." if delivery.state == "sent" else "Not taken.", style="bold")


def _known(settings: Settings, endpoint: str) -> None:
    names = addresses(settings)
    if endpoint not in names:
        there = ", ".join(names) or "none"
        raise InputError(f"the settings name no endpoint {endpoint!r}; there are: {there}")


def _print_json(lines: Iterable[dict[str, Any]]) -> None:
    for line in lines:
        print(json.dumps(line, ensure_ascii=False))
