"""What is wrong now, where, who, and what to do."""

from collections.abc import Iterable, Mapping, Sequence

from starlette.responses import Response

from strikewatch.web.live.stream import as_json
from strikewatch.web.pages.formatting import Formatting
from strikewatch.web.pages.page import PageRequest, Pages, common_variables


def now(pages: Pages, page: PageRequest) -> Response:
    """Show what is wrong now, where, who, and what to do."""
    hammers = sorted(pages.live_state.hammers.items())
    not_monitored = [(key[1], hammer.not_monitored()) for key, hammer in hammers]
    uncertain = [(key[1], hammer.uncertain()) for key, hammer in hammers]
    return pages.render(
        page,
        "now.html",
        readings=[as_json(key, hammer) for key, hammer in hammers],
        not_monitored=_group_alike(page.formatting, not_monitored),
        uncertain=_group_alike(page.formatting, uncertain),
        **pages.active.variables(page.formatting, page.now),
    )


def active_alerts(pages: Pages, page: PageRequest) -> Response:
    """Render the active alerts alone, for the script that replaces them."""
    with_timelines = "timelines" in page.query
    return pages.templates.render(
        page.formatting,
        "_active.html",
        can_act=page.can_act,
        **pages.active.variables(page.formatting, page.now, with_timelines),
        **common_variables(page, pages.sites),
    )


def _group_alike(
    formatting: Formatting, by_hammer: Iterable[tuple[str, Mapping[str, Sequence[str]]]]
) -> dict[tuple[tuple[str, str], ...], list[str]]:
    """Return the names of hammers by what they have in common: reasons with their faults."""
    alike: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for name, reasons in by_hammer:
        common = tuple(
            (reason, ", ".join(map(formatting.fault_name, faults))) for reason, faults in reasons.items()
        )
        if common:
            alike.setdefault(common, []).append(name)
    return alike
