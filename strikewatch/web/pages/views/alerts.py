"""The search in the alerts: by time, operator, fault and hammer, with acknowledging of several at once."""

from typing import Final

from starlette.responses import Response

from strikewatch.core.alert import PRIORITIES
from strikewatch.engine.lifecycle import STATES
from strikewatch.sinks.filter import FAULTS
from strikewatch.storage.queries.alerts import Filter, facets
from strikewatch.web.pages.alert_search import (
    NOBODY,
    PERIODS,
    STATE_GROUPS,
    AlertSearch,
    Choices,
    choices,
    filter_of,
    span_of,
)
from strikewatch.web.pages.page import PageRequest, Pages

SHOWN: Final = 100
"""Alerts on one page; earlier ones follow on the next."""


def alerts(pages: Pages, page: PageRequest) -> Response:
    """Show what matches, newest first, and everything that the search can be narrowed to."""
    search = AlertSearch.parse(page.query)
    site = search.site or page.chosen_site or next(iter(page.known_sites), "")
    span = span_of(search, pages.sites, site, page.now)
    found, offered = [], choices((), search)
    if not span.wrong:
        in_time = Filter(since=span.begin, before=span.end, states=STATES, sites=pages.context.sites)
        with pages.context.database.read() as connection:
            offered = choices(facets(connection, in_time), search)
        found = pages.context.alert_actions.alerts(filter_of(search, span), SHOWN + 1)
    last = found[SHOWN - 1].record if len(found) > SHOWN else None
    options = _options(offered, search, page)
    return pages.render(
        page,
        "alerts.html",
        422 if span.wrong else 200,
        search=search,
        periods=PERIODS,
        wrong=span.wrong,
        span=span,
        site=site,
        found=found[:SHOWN],
        offered=offered,
        nobody=NOBODY,
        earlier=last and search.link(before=search.before, after=f"{last['site']}/{last['id']}"),
        to_acknowledge=STATE_GROUPS["waiting"],
        options=options,
        narrowed={
            name: next((shown for value, shown in options[name] if value.lower() == asked.lower()), asked)
            for name in options
            if (asked := getattr(search, name))
        },
    )


def _options(offered: Choices, search: AlertSearch, page: PageRequest) -> dict[str, list[tuple[str, str]]]:
    """Return the values, each with its label, that each condition can have; the one in force is among them."""
    translation, fault_name = page.formatting.translation, page.formatting.fault_name
    first = [fault for fault, _ in offered.faults]
    faults = [*first, *(fault for fault in FAULTS if fault not in first)]
    options: dict[str, list[tuple[str, str]]] = {
        "site": [(site, site) for site in page.known_sites],
        "hammer": [(name, name) for name in sorted({name for (_, name), _ in offered.hammers})],
        "operator": [
            (name, translation("common.nobody") if name == NOBODY else name) for name, _ in offered.operators
        ],
        "fault": [(fault, fault_name(fault)) for fault in faults],
        "priority": [(name, translation(f"priority.{name}")) for name in PRIORITIES[::-1]],
        "state": [(name, translation(f"alerts.state_{name}")) for name in STATE_GROUPS],
    }
    if not page.several_sites:
        del options["site"]
    for name, pairs in options.items():
        asked = getattr(search, name)
        if asked and asked.lower() not in {value.lower() for value, _ in pairs}:
            shown = translation(f"state.{asked}") if name == "state" and asked in STATES else asked
            pairs.append((asked, shown))
    return options
