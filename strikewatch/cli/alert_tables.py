"""Alerts and their history as tables for people; narrow enough for 80 columns."""

from collections.abc import Sequence
from itertools import groupby
from shlex import quote
from typing import Any, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from strikewatch.cli.output import SENTENCES, counted, heading, minute, minute_and_zone, plain_table, second
from strikewatch.storage.queries.active import Mute
from strikewatch.storage.queries.alerts import ListedAlert

ID_DIGITS: Final = 6
"""Digits of an id that are shown: unique among thousands."""
STATE_NAMES: Final = {
    "returned_unacknowledged": "returned",
    "suppressed_by_design": "suppressed",
    "out_of_service": "out of service",
}
HOW_TO_UNMUTE: Final = {
    "shelved": "strikewatch hammer end-shelving {hammer} {fault} --site {site} --by NAME",
    "out_of_service": "strikewatch hammer in-service {hammer} --site {site} --by NAME",
    "suppressed_by_design": "remove {fault} from alarms.suppressed in the settings, and restart the processor",
}
"""How to end each kind of mute."""


def show_alerts(console: Console, alerts: Sequence[ListedAlert], *, total: int) -> None:
    """Print alerts by site, in the order given; `total`: how many match."""
    if not alerts:
        console.print("No alerts.")
        return
    by_site = sorted(alerts, key=lambda alert: str(alert.record["site"]))
    for site, own in groupby(by_site, key=lambda alert: str(alert.record["site"])):
        listed = list(own)
        console.print(Text.assemble((site, "bold"), f"  {counted(len(listed), 'alert')}"))
        console.print(_alerts(listed, sentences=console.width >= SENTENCES))
    if len(alerts) < total:
        console.print(f"{len(alerts)} of {total} alerts; --limit {total} shows all.", style="dim")


def show_muted(console: Console, mutes: Sequence[Mute]) -> None:
    """Print each mute: who, why, until when, how many alerts are active, and how to end it."""
    console.print(Text.assemble(("muted", "bold"), f"  {len(mutes) or 'nothing'}"))
    for mute in mutes:
        what = f"{mute.fault or 'all faults'} of {mute.hammer or 'all hammers'}"
        if mute.kind == "shelved" and not mute.hammer:
            what = f"{mute.fault} of the processor"
        where = f" at {mute.site}" if mute.site else ""
        upto = f", up to {mute.upto} priority" if mute.upto else ""
        if mute.until is not None:
            until = f"until {minute_and_zone(mute.until, mute.site or '')}"
        else:
            until = f"until {'the settings change' if mute.kind == 'suppressed_by_design' else 'it is ended'}"
        console.print(f"{what}{where}: {state_name(mute.kind)}{upto} {until}")
        console.print(f"  by {mute.by}: {mute.reason}; {mute.active} active", style="dim")
        names = (quote(name or "") for name in (mute.hammer, mute.fault, mute.site))
        ends = HOW_TO_UNMUTE[mute.kind].format(**dict(zip(("hammer", "fault", "site"), names, strict=True)))
        console.print(f"  to end it: {ends}", style="dim")


def show_history(console: Console, listed: ListedAlert, lines: Sequence[dict[str, Any]]) -> None:
    """Print an alert and its history."""
    site, cleared = listed.record["site"], listed.record["cleared"]
    end = "still active" if cleared is None else f"ended {minute_and_zone(cleared, site)}"
    console.print(describe_alert(listed), style="bold")
    console.print(listed.record["summary"])
    console.print(
        f"Onset {minute_and_zone(listed.record['onset'], site)}, {end}; reported: {listed.sent_as or 'no'}."
    )
    table = plain_table(heading("when", site), "who", "what", "now", "why", wrap=("why",), gap=1)
    for line in lines:
        when, what = second(line["at"], site)[5:], line["event"].replace("_", " ")
        table.add_row(when, line["by"], what, state_name(line["to"]), line["why"])
    console.print(table)


def describe_alert(listed: ListedAlert) -> str:
    """Describe an alert in a line."""
    record = listed.record
    name = f"{record['id'][:ID_DIGITS]}: {record['fault']} of {record['hammer'] or 'the processor'} at {record['site']}"
    return f"{name}, {record['priority']}, {describe_state(listed)}"


def describe_state(listed: ListedAlert) -> str:
    """Describe the state of an alert."""
    words, site = state_name(listed.state), listed.record["site"]
    if listed.shelf is not None:
        return f"{words} until {minute_and_zone(listed.shelf.until, site)} by {listed.shelf.by}: {listed.shelf.reason}"
    if listed.stay is not None:
        until = "" if listed.stay.until is None else f" until {minute_and_zone(listed.stay.until, site)}"
        return f"{words}{until} by {listed.stay.by}: {listed.stay.reason}"
    return words


def state_name(state: str) -> str:
    return STATE_NAMES.get(state, state)


def _alerts(alerts: Sequence[ListedAlert], *, sentences: bool) -> Table:
    onset = heading("onset", alerts[0].record["site"])
    table = plain_table("id", onset, "hammer", "fault", "priority", "state", "operator", gap=1)
    if sentences:
        table.add_column("what happened", overflow="fold")
    for listed in alerts:
        record = listed.record
        mute = f" ({describe_state(listed)})" if listed.shelf or listed.stay else ""
        table.add_row(
            record["id"][:ID_DIGITS],
            minute(record["onset"], record["site"]),
            record["hammer"],
            record["fault"],
            record["priority"],
            state_name(listed.state),
            record["operator"] or "unassigned",
            *([f"{record['summary']}{mute}"] if sentences else ()),
        )
    return table
