"""Options to read a table in another layout: column names, hammer, site, time zone."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Final
from zoneinfo import ZoneInfo

from strikewatch.core.channels import ALIASES, CHANNELS
from strikewatch.errors import InputError

KNOWN: Final = ("time", "hammer", "site", *CHANNELS, *ALIASES)


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """`columns`: known name → name in the table. `hammer`, `site`: names for tables that have no such column.
    `zone`: of times without an offset."""

    columns: Mapping[str, str] = field(default_factory=dict)
    hammer: str | None = None
    site: str | None = None
    zone: ZoneInfo | None = None

    def renamed(self, names: Sequence[str], place: str) -> list[str]:
        """Return a table's column names, mapped to the known names. Raises InputError if a mapped column is missing."""
        lacking = [
            (name, column)
            for name, column in self.columns.items()
            if column not in names and name not in names
        ]
        if lacking:
            name, column = lacking[0]
            raise InputError(
                f"{place}: no column `{column}` for `{name}`; {near(column, names)}its columns are: "
                f"{', '.join(map(str, names)) or 'none'}"
            )
        known = {column: name for name, column in self.columns.items()}
        return [known.get(name, name) for name in names]

    def arguments(self, allow_loss: float | None = None) -> tuple[str, ...]:
        """Return the equivalent command-line options."""
        said = [f"--column {_quoted(f'{name}={column}')}" for name, column in self.columns.items()]
        for option, value in (
            ("as-hammer", self.hammer),
            ("as-site", self.site),
            ("zone", self.zone.key if self.zone else None),
            ("allow-loss", None if allow_loss is None else f"{allow_loss:g}"),
        ):
            if value is not None:
                said.append(f"--{option} {_quoted(value)}")
        return tuple(said)


AS_IN_CONTRACT: Final = ReadOptions()


def read_options(
    columns: Sequence[str] = (), hammer: str | None = None, site: str | None = None, zone: str | None = None
) -> ReadOptions:
    """Parse options as typed; `columns` are texts NAME=COLUMN. Raises InputError with the remedy."""
    mapped: dict[str, str] = {}
    for text in columns:
        name, equals, column = (part.strip() for part in text.partition("="))
        if not equals or not name or not column:
            raise InputError(
                f"--column {text}: write NAME=COLUMN, such as --column pressure_bar='Druck [bar]'"
            )
        mapped[name] = column
    return checked(mapped, hammer, site, zone)


def checked(
    columns: Mapping[str, str], hammer: str | None, site: str | None, zone: str | None
) -> ReadOptions:
    """Validate options and return them. Raises InputError with the remedy."""
    for name in columns:
        if name not in KNOWN:
            raise InputError(
                f"column {name}: is not a known name; {near(name, KNOWN)}known are: {', '.join(KNOWN)}"
            )
    if len(set(columns.values())) < len(columns):
        twice = next(column for column in columns.values() if list(columns.values()).count(column) > 1)
        raise InputError(f"column `{twice}` is mapped to two names; map it to one")
    return ReadOptions(dict(columns), hammer, site, None if zone is None else zone_of(zone))


def zone_of(name: str) -> ZoneInfo:
    """Return a time zone by its name. Raises InputError."""
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, KeyError):
        from zoneinfo import available_timezones

        raise InputError(
            f"zone {name!r} is not known; {near(name, sorted(available_timezones()))}"
            "use a name of the IANA time zone database, such as Europe/Vienna or UTC"
        ) from None


def near(name: str, known: Sequence[str]) -> str:
    """Return `did you mean …? `, or an empty text if no known name is similar."""
    lower = {name.lower(): name for name in map(str, known)}
    found = get_close_matches(name.lower(), lower, 1, 0.5)
    return f"did you mean {lower[found[0]]}? " if found else ""


def _quoted(text: str) -> str:
    import shlex

    return shlex.quote(text)
