"""What the history of alerts is searched by, as the form of its sheet sends it."""

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from pydantic import ValidationError

from strikewatch.core.instant import Instant
from strikewatch.engine.lifecycle import STATES
from strikewatch.storage.queries.alerts import Filter
from strikewatch.web.api import schemas
from strikewatch.web.api.problems import unusable


class Wanted(schemas.Asked):
    """An empty field is no condition."""

    hammer: str = ""
    operator: str = ""
    fault: str = ""
    priority: str = ""
    since: str = ""
    before: str = ""

    @staticmethod
    def of(parameters: Mapping[str, Any]) -> "Wanted":
        """Raises Problem 422 for fields that there are not."""
        try:
            return Wanted.model_validate_strings(dict(parameters))
        except ValidationError as error:
            raise unusable(error, "parameters") from error

    def filter(self) -> tuple[Filter, dict[str, str]]:
        """What to look for, and by field what cannot be used."""
        wrong: dict[str, str] = {}
        found = Filter(
            None,
            self.hammer or None,
            self.fault or None,
            self.operator or None,
            self.priority or None,  # type: ignore[arg-type]  # any other word finds nothing
            _moment(self.since, "since", wrong),
            STATES,
            _moment(self.before, "before", wrong),
        )
        return found, wrong

    def earlier(self, before: str) -> str:
        """The parameters that ask for what came before."""
        return urlencode({**self.model_dump(exclude_defaults=True), "before": before})


def _moment(text: str, name: str, wrong: dict[str, str]) -> Instant | None:
    """An instant as RFC 3339, or a day as a date field gives it (UTC)."""
    if not text:
        return None
    try:
        return schemas.moment(f"{text}T00:00:00Z" if len(text) == 10 else text)
    except ValueError as error:
        wrong[name] = str(error)
        return None
