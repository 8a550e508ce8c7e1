"""Settings of the sites: their time zones."""

from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, field_validator


class Sites(BaseModel):
    """Properties of the sites."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    zone: str = Field(
        default="UTC", description="Time zone of the sites, such as Europe/Dublin, for hours of the week"
    )
    zones: dict[str, str] = Field(default={}, description="Time zones of sites that differ, by site")

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
