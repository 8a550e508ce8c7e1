"""`strikewatch alarm-metrics`: how many alerts people get at each site, against published targets."""

import time
from argparse import Namespace

import click

from strikewatch.cli import options as shared
from strikewatch.cli import output
from strikewatch.cli.settings_file import settings


@click.command(
    cls=shared.Command,
    examples=(
        "strikewatch alarm-metrics --from 30d",
        "strikewatch alarm-metrics --site fennick-hollow --json",
    ),
)
@shared.config
@shared.period("30d", "now")
@shared.only("site")
@shared.as_json("one site a line")
@shared.given
def command(options: Namespace) -> int:
    """Compare the number of alerts that people get with the targets of ISA-18.2 / IEC 62682 and EEMUA 191."""
    from strikewatch.cli.rendering.alarm_metrics import SOURCE, show
    from strikewatch.engine.alarm_kpis import compute_kpis
    from strikewatch.engine.flood import Rules
    from strikewatch.errors import Unknown
    from strikewatch.storage.engines.shared import SharedDatabase
    from strikewatch.storage.queries.alerts import intervals

    tree, now = settings(options.config), time.time_ns()
    begin, end = shared.instants(options, now, "30d")
    assert begin is not None
    end = now if end is None else end
    with SharedDatabase(tree.store.where) as place, place.read() as connection:
        by_site = intervals(connection, end)
    if options.site is not None:
        if options.site not in by_site:
            raise Unknown(
                f"no alert was ever raised at {options.site}; there are: {', '.join(by_site) or 'none yet'}"
            )
        by_site = {options.site: by_site[options.site]}
    rules = Rules.of(tree.alarms)
    found = {site: compute_kpis(own, begin, end, rules) for site, own in sorted(by_site.items())}
    if options.json:
        output.print_json({"site": site, **own.as_json()} for site, own in found.items())
        return 0
    console = output.tables()
    for site, own in found.items():
        show(console, site, own)
    console.print(SOURCE if found else "No alerts yet.", style="dim")
    return 0
