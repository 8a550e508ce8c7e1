"""Active alerts, and the search in the history."""

from collections.abc import Mapping
from typing import Any, Final
from urllib.parse import urlencode

from pydantic import BaseModel, ConfigDict, ValidationError
from starlette.responses import Response

from strikewatch.core.alert import PRIORITIES
from strikewatch.core.instant import Instant
from strikewatch.engine.lifecycle import STATES
from strikewatch.sinks.filter import FAULTS
from strikewatch.storage.queries.alerts import Filter
from strikewatch.web.api.problems import invalid
from strikewatch.web.api.routing import parse_time
from strikewatch.web.pages.page import PageRequest, Pages

HISTORY_LENGTH: Final = 100


def alerts(pages: Pages, page: PageRequest) -> Response:
    """Show active alerts, and search the history."""
    search = AlertSearch.parse(page.query)
    wanted, wrong = search.filter()
    alerts = [] if wrong else pages.context.alert_actions.alerts(wanted, HISTORY_LENGTH + 1)
    last_onset = alerts[HISTORY_LENGTH - 1].record["onset"] if len(alerts) > HISTORY_LENGTH else None
    return pages.render(
        page,
        "alerts.html",
        422 if wrong else 200,
        search=search,
        wrong=wrong,
        found=alerts[:HISTORY_LENGTH],
        earlier=last_onset and search.earlier(last_onset),
        priorities=PRIORITIES[::-1],
        faults=FAULTS,
        hammers=sorted({hammer for _, hammer in pages.live_state.hammers}),
        **pages.active.variables(page.formatting, page.now, with_timelines=True),
    )


class AlertSearch(BaseModel):
    """The form that searches the history; an empty field is no condition."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    hammer: str = ""
    operator: str = ""
    fault: str = ""
    priority: str = ""
    since: str = ""
    before: str = ""

    @staticmethod
    def parse(parameters: Mapping[str, Any]) -> "AlertSearch":
        """Read the parameters of a request. Raises Problem 422 for unknown ones."""
        try:
            return AlertSearch.model_validate_strings(dict(parameters))
        except ValidationError as error:
            raise invalid(error.errors()) from error

    def filter(self) -> tuple[Filter, dict[str, str]]:
        """Return the filter, and what is wrong by field."""
        wrong: dict[str, str] = {}
        found = Filter(
            None,
            self.hammer or None,
            self.fault or None,
            self.operator or None,
            self.priority or None,  # type: ignore[arg-type]  # an unknown priority matches nothing
            _parse(self.since, "since", wrong),
            STATES,
            _parse(self.before, "before", wrong),
        )
        return found, wrong

    def earlier(self, before: str) -> str:
        """Return the query of the same search for earlier alerts."""
        return urlencode({**self.model_dump(exclude_defaults=True), "before": before})


def _parse(text: str, name: str, wrong: dict[str, str]) -> Instant | None:
    """Parse RFC 3339, or a day (UTC) as a date field gives it."""
    if not text:
        return None
    try:
        return parse_time(f"{text}T00:00:00Z" if len(text) == 10 else text)
    except ValueError as error:
        wrong[name] = str(error)
        return None
