"""How a table that is not in the contract's form is read: its column names, its hammer, its site, its zone."""

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
        """A table's column names, those that are mapped by the known ones. Raises InputError where one is not there."""
        lacking = [
            (name, told) for name, told in self.columns.items() if told not in names and name not in names
        ]
        if lacking:
            name, told = lacking[0]
            raise InputError(
                f"{place}: no column `{told}` for `{name}`; {near(told, names)}its columns are: "
                f"{', '.join(map(str, names)) or 'none'}"
            )
        known = {told: name for name, told in self.columns.items()}
        return [known.get(name, name) for name in names]

    def arguments(self, allow_loss: float | None = None) -> tuple[str, ...]:
        """The options of a command that say the same."""
        said = [f"--column {_quoted(f'{name}={told}')}" for name, told in self.columns.items()]
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
    """Options as typed: `columns` are texts NAME=COLUMN. Raises InputError with the remedy."""
    mapped: dict[str, str] = {}
    for text in columns:
        name, equals, told = (part.strip() for part in text.partition("="))
        if not equals or not name or not told:
            raise InputError(
                f"--column {text}: write NAME=COLUMN, such as --column pressure_bar='Druck [bar]'"
            )
        mapped[name] = told
    return checked(mapped, hammer, site, zone)


def checked(
    columns: Mapping[str, str], hammer: str | None, site: str | None, zone: str | None
) -> ReadOptions:
    """The options, if they can be used. Raises InputError with the remedy."""
    for name in columns:
        if name not in KNOWN:
            raise InputError(
                f"column {name}: is no known name; {near(name, KNOWN)}known are: {', '.join(KNOWN)}"
            )
    if len(set(columns.values())) < len(columns):
        twice = next(told for told in columns.values() if list(columns.values()).count(told) > 1)
        raise InputError(f"column `{twice}` is mapped to two names; map it to one")
    return ReadOptions(dict(columns), hammer, site, None if zone is None else zone_of(zone))


def zone_of(name: str) -> ZoneInfo:
    """A zone by its name. Raises InputError."""
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, KeyError):
        from zoneinfo import available_timezones

        raise InputError(
            f"zone {name!r} is not known; {near(name, sorted(available_timezones()))}"
            "use a name of the IANA time zone database, such as Europe/Vienna or UTC"
        ) from None


def near(name: str, known: Sequence[str]) -> str:
    """`did you mean …? `, or nothing where no known name is near."""
    lower = {one.lower(): one for one in map(str, known)}
    found = get_close_matches(name.lower(), lower, 1, 0.5)
    return f"did you mean {lower[found[0]]}? " if found else ""


def _quoted(text: str) -> str:
    import shlex

    return shlex.quote(text)
