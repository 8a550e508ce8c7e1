"""Print the demo's alerts as they arrive, and a summary at the end."""

from collections import Counter
from typing import Any, Final

from rich.console import Console
from rich.text import Text

from strikewatch.core import instant
from strikewatch.demo.broker import Broker
from strikewatch.demo.day import START_NS
from strikewatch.demo.gateways import PacedClock
from strikewatch.demo.site import HAMMERS, SITE
from strikewatch.disclaimer import CAUTION

PACE: Final = 60.0
STYLES: Final = {"high": "bold", "medium": "", "low": "dim"}


class Screen:
    """The demo's terminal output: each alert as it arrives, and a summary."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self.clock: PacedClock | None = None
        self._records: dict[str, dict[str, Any]] = {}
        self._delivered = 0

    def say(self, text: str) -> None:
        self._console.print(text, style="dim")

    def begin(self, broker: Broker) -> None:
        carriers = ", ".join(f"{hammer.name} on {hammer.carrier}" for hammer in HAMMERS.values())
        self._console.print(
            f"[bold]{SITE}[/bold], an invented site, running {PACE:.0f} times faster than real time."
        )
        self.say(f"{carriers}; {broker.name} on {broker.host}:{broker.port}. Stop with Ctrl-C.")

    def page(self, port: int, token: str) -> None:
        self._console.print(f"The site manager's page: [bold]http://127.0.0.1:{port}/[/bold]")
        self.say(
            f"Anyone on this machine can view it; to acknowledge alerts and make entries, sign in with {token}\n"
        )

    def alert(self, step: str, record: dict[str, Any]) -> None:
        """Print a delivery that the webhook has verified."""
        self._delivered += 1
        if step == "digest":
            self._records |= {one["id"]: one for one in record["alerts"]}
            self._console.print(Text(f"{record['began'][11:19]}  {record['summary']}", style="bold"))
            return
        self._records[record["id"]] = record
        at = record["cleared"] if step == "cleared" else record["onset"]
        if step == "escalated" and self.clock is not None:
            at = instant.text(self.clock.now_ns())
        who = record["operator"] or "unassigned"
        what = {"raised": record["summary"], "escalated": f"Now {record['priority']}: {record['summary']}"}
        line = Text(f"{at[11:19]}  {record['hammer']}  {who:<10}  {record['fault']:<16}  ")
        line.append(what.get(step) or f"Ended. {record['summary']}", style="dim" if step == "cleared" else "")
        if record["historic"]:
            line.append(" (historic: found late)")
        line.stylize("dim" if step == "cleared" else STYLES[record["priority"]])
        self._console.print(line)

    def end(self, sent: int, refused: int, clock: PacedClock) -> None:
        records = self._records.values()
        hours = (clock.now_ns() - START_NS) / instant.SECOND / 3600
        self._console.print(
            f"\n{hours:.1f} hours of work, {sent:,} messages, {len(records)} alerts; "
            f"{self._delivered} deliveries, every signature checked, {refused} refused."
        )
        self._count("By fault", Counter(record["fault"] for record in records))
        self._count("By operator", Counter(record["operator"] or "unassigned" for record in records))
        self.say(CAUTION)

    def _count(self, title: str, counted: Counter[str]) -> None:
        if counted:
            self._console.print(f"{title}: " + ", ".join(f"{name} {n}" for name, n in counted.most_common()))
