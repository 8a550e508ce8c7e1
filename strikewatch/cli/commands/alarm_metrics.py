"""`strikewatch alarm-metrics`: the alert load of each site, compared with published targets."""

import time
from argparse import Namespace
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.text import Text

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.output import counted, minute_and_zone, plain_table
from strikewatch.cli.settings_file import load_database_settings, open_database
from strikewatch.core.alert import PRIORITIES

if TYPE_CHECKING:
    from strikewatch.engine.alarm_kpis import AlarmKpis

SOURCE: Final = "Targets: ISA-18.2 / IEC 62682 and EEMUA 191; (m): from memory."


@shared.command(
    "strikewatch alarm-metrics --from 30d", "strikewatch alarm-metrics --site fennick-hollow --json"
)
@shared.config
@shared.period("30d", "now")
@shared.filters("site")
@shared.as_json("one site a line")
def alarm_metrics(options: Namespace) -> None:
    """Compare the number of alerts that people get with the targets of ISA-18.2 / IEC 62682 and EEMUA 191."""
    from strikewatch.engine.alarm_kpis import compute_kpis
    from strikewatch.engine.flood import Rules
    from strikewatch.errors import Unknown
    from strikewatch.storage.queries.alerts import intervals

    settings, now = load_database_settings(options.config), time.time_ns()
    begin, end = shared.instants(options, now, "30d")
    assert begin is not None
    end = now if end is None else end
    with (
        output.progress_status("Reading the database"),
        open_database(settings) as database,
        database.read() as connection,
    ):
        by_site = intervals(connection, end)
    if options.site is not None:
        if options.site not in by_site:
            raise Unknown(
                f"{options.site} has no alerts; sites with alerts: {', '.join(by_site) or 'none yet'}"
            )
        by_site = {options.site: by_site[options.site]}
    rules = Rules.of(settings.alarms)
    kpis_of = {site: compute_kpis(alerts, begin, end, rules) for site, alerts in sorted(by_site.items())}
    if options.json:
        output.print_json({"site": site, **kpis.as_json()} for site, kpis in kpis_of.items())
        return
    console = output.tables()
    for site, kpis in kpis_of.items():
        _show_site(console, site, kpis)
    console.print(SOURCE if kpis_of else "No alerts yet.", style="dim")


def _show_site(console: Console, site: str, kpis: "AlarmKpis") -> None:
    period = f"{minute_and_zone(kpis.begin, site)} to {minute_and_zone(kpis.end, site)}"
    console.print(Text.assemble((site, "bold"), f"  {period}, {counted(kpis.alerts, 'alert')}"))
    table = plain_table("", "here", "target", right=("here",))
    for row in _rows(kpis):
        table.add_row(*row)
    console.print(table)
    if kpis.top:
        numbers = "alerts", "share", "chattered"
        table = plain_table("hammer", "fault", *numbers, right=numbers)
        for source in kpis.top:
            amounts = str(source.alerts), _percent(source.share), str(source.chattered or "·")
            table.add_row(source.hammer, source.fault, *amounts)
        console.print(table)
    for stale in kpis.stale:
        ends = "still active" if stale.cleared is None else f"ended {minute_and_zone(stale.cleared, site)}"
        console.print(
            f"stale: {stale.fault} of {stale.hammer} since {minute_and_zone(stale.onset, site)}, {ends}"
        )
    console.print()


def _rows(kpis: "AlarmKpis") -> Iterator[tuple[str, str, str]]:
    """Yield (metric, value, target)."""
    from strikewatch.engine import alarm_kpis as targets

    per_day, per_10_min = targets.ACCEPTABLE_PER_DAY, targets.ACCEPTABLE_IN_10_MIN
    yield (
        "alerts a day",
        f"{kpis.per_day:.1f}",
        f"about {per_day:.0f} acceptable, {targets.MAX_PER_DAY:.0f} the most",
    )
    yield "  in the busiest 24 h", f"{kpis.busiest_day}", ""
    yield (
        "alerts in 10 min",
        f"{kpis.per_10_min:.2f}",
        f"{per_10_min:.0f} acceptable, {targets.MAX_IN_10_MIN:.0f} manageable (m)",
    )
    yield "  in the busiest 10 min", f"{kpis.busiest_10_min}", "10; more is a flood (m)"
    yield "time in flood", _percent(kpis.flood_share), f"below {_percent(targets.MAX_FLOOD_SHARE)} (m)"
    yield "  floods", f"{kpis.floods}", ""
    yield (
        f"{targets.TOP_CONTRIBUTORS} largest sources",
        _percent(kpis.top_share),
        f"below {_percent(targets.MAX_TOP_SHARE)} (m)",
    )
    yield "chattering sources", f"{len(kpis.chattering)}", "none"
    yield "stale, over 24 h", f"{len(kpis.stale)}", f"fewer than {targets.MAX_STALE} (m)"
    yield (
        "low / medium / high, %",
        " / ".join(f"{kpis.spread[priority] * 100:.0f}" for priority in PRIORITIES),
        " / ".join(f"{targets.PRIORITY_TARGETS[priority] * 100:.0f}" for priority in PRIORITIES),
    )


def _percent(share: float) -> str:
    return f"{share * 100:.1f} %"
