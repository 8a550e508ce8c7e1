"""What is wrong now, where, who, and what to do."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from starlette.responses import Response

from strikewatch.web.api.problems import ApiResponse
from strikewatch.web.live.live_state import is_reporting
from strikewatch.web.live.stream import as_json
from strikewatch.web.pages.active_items import reporting
from strikewatch.web.pages.formatting import Formatting
from strikewatch.web.pages.page import PageRequest, Pages


def now(pages: Pages, page: PageRequest) -> Response:
    """Show what is wrong now, where, who, and what to do; then all hammers, the worst first."""
    active = active_variables(pages, page)
    rank = {key: number for number, key in enumerate(active["view"].hammers)}
    hammers = sorted(
        pages.live_state.hammers.items(),
        key=lambda item: (rank.get("/".join(item[0]), len(rank)), item[0]),
    )
    names = {key: page.name_of(pages.sites.name_of(key[0]), key[1]) for key, _ in hammers}
    not_monitored = [(names[key], hammer.not_monitored()) for key, hammer in hammers]
    uncertain = [(names[key], hammer.uncertain()) for key, hammer in hammers]
    return pages.render(
        page,
        "now.html",
        readings=[as_json(key, hammer) for key, hammer in hammers],
        not_monitored=_group_alike(page.formatting, not_monitored),
        uncertain=_group_alike(page.formatting, uncertain),
        **active,
    )


def active_variables(pages: Pages, page: PageRequest) -> dict[str, Any]:
    """Return the variables of `_active.html`."""
    heard = [is_reporting(hammer, page.now) for hammer in pages.live_state.hammers.values()]
    return {
        "view": pages.active.view(page.formatting, page.can_act, page.now),
        "reporting": reporting(page.formatting, heard),
    }


def active_alerts(pages: Pages, page: PageRequest) -> Response:
    """Render the active alerts alone."""
    values = active_variables(pages, page)
    return pages.templates.render(page.formatting, "_active.html", can_act=page.can_act, **values)


def active_changes(pages: Pages, page: PageRequest) -> Response:
    """Return as JSON what differs from the version that a script has (`have`)."""
    have = page.query.get("have", "")
    return ApiResponse(pages.active.changes(page.formatting, page.can_act, page.now, have))


def _group_alike(
    formatting: Formatting, by_hammer: Iterable[tuple[str, Mapping[str, Sequence[str]]]]
) -> dict[tuple[tuple[str, str], ...], list[str]]:
    """Return the names of hammers by what they have in common: reasons with their faults."""
    alike: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for name, reasons in by_hammer:
        common = tuple(
            (formatting.reason(why), ", ".join(map(formatting.fault_name, faults)))
            for why, faults in reasons.items()
        )
        if common:
            alike.setdefault(common, []).append(name)
    return alike
