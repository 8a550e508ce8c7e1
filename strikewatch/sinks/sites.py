"""Settings of the sites: time zones, names, carriers, whom to call, and when shifts end."""

import re
from datetime import datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, field_validator

_PHONE: Final = re.compile(r"\+?[0-9][0-9 ()./-]{1,29}")
_TIME: Final = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]")


class Contact(BaseModel):
    """Whom to call about a hammer."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")

    role: str = Field(
        min_length=1, max_length=60, description="The role, such as shift foreman; no person's name"
    )
    phone: str = Field(description="The phone number, such as +44 1632 960101")

    @field_validator("phone")
    @classmethod
    def _is_a_number(cls, phone: str) -> str:
        if not _PHONE.fullmatch(phone):
            raise ValueError(f"{phone!r} is not a phone number; write it like +44 1632 960101")
        return phone

    @property
    def link(self) -> str:
        """The number as a link that a phone dials (RFC 3966)."""
        return "tel:" + re.sub(r"[^0-9+]", "", self.phone)


class Sites(BaseModel):
    """Properties of the sites."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")

    zone: str = Field(
        default="UTC", description="Time zone of the sites, such as Europe/Dublin, for hours of the week"
    )
    zones: dict[str, str] = Field(default={}, description="Time zones of sites that differ, by site")

    names: dict[str, str] = Field(
        default={}, description="What people call a site, by site; left out: as in its topics"
    )
    carriers: dict[str, str] = Field(
        default={}, description="The carrier of each hammer, by hammer or site/hammer, such as EX-21"
    )
    contact: Contact | None = Field(
        default=None, description="Whom to call about any hammer; left out: nobody"
    )
    contacts: dict[str, Contact] = Field(
        default={}, description="Whom to call in place of that, by site, hammer or site/hammer"
    )
    shift_ends: tuple[str, ...] = Field(
        default=("06:00", "18:00"),
        min_length=1,
        description="Times of day at which shifts end, at the site: alerts can be shelved until then",
    )

    @field_validator("shift_ends")
    @classmethod
    def _are_times_of_day(cls, times: tuple[str, ...]) -> tuple[str, ...]:
        for text in times:
            if not _TIME.fullmatch(text):
                raise ValueError(f"{text!r} is not a time of day; write it like 06:00")
        return times

    @field_validator("zone", "zones")
    @classmethod
    def _exist(cls, names: str | dict[str, str]) -> str | dict[str, str]:
        for name in [names] if isinstance(names, str) else names.values():
            try:
                ZoneInfo(name)
            except (ZoneInfoNotFoundError, ValueError, OSError):
                raise ValueError(f"there is no time zone {name!r}; names are like Europe/Dublin") from None
        return names

    def zone_of(self, site: str) -> ZoneInfo:
        return ZoneInfo(self.zones.get(site, self.zone))

    def name_of(self, site: str) -> str:
        """Return what people call a site."""
        return self.names.get(site, site)

    def carrier_of(self, site: str, hammer: str) -> str:
        """Return the carrier of a hammer, "" if not set."""
        return self.carriers.get(f"{site}/{hammer}") or self.carriers.get(hammer, "")

    def contact_of(self, site: str, hammer: str) -> Contact | None:
        """Return whom to call about a hammer; the most specific setting counts."""
        for key in (f"{site}/{hammer}", hammer, site):
            if key in self.contacts:
                return self.contacts[key]
        return self.contact

    def shift_end(self, site: str, local: datetime) -> datetime:
        """Return the next end of a shift after a local time at a site, which bears its zone."""
        ends = [
            datetime.combine(
                local.date() + timedelta(days=days), time.fromisoformat(text), self.zone_of(site)
            )
            for days in (0, 1)
            for text in self.shift_ends
        ]
        return min(end for end in ends if end.timestamp() > local.timestamp())

    def shift_begin(self, site: str, local: datetime) -> datetime:
        """Return when the shift of a local time at a site began: the last end of a shift up to then."""
        ends = [
            datetime.combine(
                local.date() - timedelta(days=days), time.fromisoformat(text), self.zone_of(site)
            )
            for days in (0, 1)
            for text in self.shift_ends
        ]
        return max(end for end in ends if end.timestamp() <= local.timestamp())
