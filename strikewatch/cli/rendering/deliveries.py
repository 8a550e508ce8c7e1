"""Deliveries and their attempts, for people."""

from collections.abc import Mapping, Sequence

from rich.console import Console
from rich.table import Table

from strikewatch.cli.rendering.common import heading, local, second
from strikewatch.storage.outbox.deliveries import Delivery
from strikewatch.storage.outbox.outcomes import Attempt


def show_list(console: Console, deliveries: Sequence[Delivery], off: Mapping[str, str]) -> None:
    """Print the deliveries in the order given, and which endpoints are switched off."""
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
        heading("queued"),
        "outcome",
    ):
        table.add_column(title, justify="right" if title in ("number", "tries") else "left")
    for delivery in deliveries:
        about = " ".join(str(delivery.body[key]) for key in ("hammer", "fault") if delivery.body.get(key))
        at = second(delivery.created)
        table.add_row(
            str(delivery.number),
            delivery.endpoint,
            delivery.state,
            delivery.step,
            delivery.alert[:8],
            about,
            str(delivery.attempts),
            at,
            delivery.outcome or "",
        )
    console.print(table if deliveries else "No deliveries.")


def show_one(console: Console, delivery: Delivery, tried: Sequence[Attempt]) -> None:
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


def show_test(
    console: Console,
    address: str,
    delivery: Delivery,
    tried: Sequence[Attempt],
    off: str | None,
    patience_s: float,
) -> None:
    """Print what a test of an endpoint came to, step by step."""
    console.print(f"{delivery.endpoint} at {address}")
    for attempt in tried:
        for step in attempt.trace.splitlines():
            console.print(f"  {step}")
        console.print(f"  {attempt.outcome}, after {attempt.took_us / 1000:,.1f} ms")
    if off is not None:
        console.print(f"It is switched off: {off}. Again: strikewatch deliveries on {delivery.endpoint}")
    elif not tried:
        console.print(
            f"No attempt within {patience_s:.0f} s: the processor has more to send, or does not know the endpoint."
        )
    console.print("Accepted." if delivery.state == "sent" else "Not accepted.", style="bold")
