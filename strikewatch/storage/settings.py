"""Where the processor keeps what it must not forget, and for how long."""

from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict, Field, field_validator
from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

from strikewatch.errors import StoreError

_MEANT: Final = "write it as postgresql://USER@HOST:5432/DATABASE"


class Settings(BaseModel):
    """The database: a file of our own, or PostgreSQL's in its place."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    path: Path = Field(default=Path("strikewatch.db"), description="Database file, made if missing")
    url: str | None = Field(
        default=None,
        description="Address of a PostgreSQL database in place of the file, postgresql://USER@HOST:5432/DATABASE",
    )
    password_file: Path | None = Field(
        default=None, description="File with the password for `url`; without it PGPASSFILE and the like count"
    )
    reserve_mib: float = Field(
        default=32.0,
        ge=0,
        le=4096,
        description="Disk kept beside the database file, given up when the disk is full, MiB; 0: none",
    )
    rejects_kept: int = Field(
        default=10_000,
        ge=1,
        description="Rejected payloads kept for inspection, the oldest dropped beyond it (count)",
    )
    rejects_days: float = Field(default=90.0, ge=0, description="Older ones are dropped too, days; 0: never")
    alerts_days: float = Field(
        default=1095.0,
        ge=0,
        description="Alerts over for longer are removed with their history, days; 0: never. Standing, waiting: never",
    )
    events_days: float = Field(
        default=1095.0, ge=0, description="Older events (sign-ons, greasings) are removed, days; 0: never"
    )
    bouts_days: float = Field(
        default=1095.0, ge=0, description="Bouts and stretches of work longer ago are removed, days; 0: never"
    )
    sent_days: float = Field(
        default=30.0, ge=0, description="Messages delivered longer ago are removed, days; 0: never"
    )

    @field_validator("url")
    @classmethod
    def _is_usable(cls, given: str | None) -> str | None:
        if given is None:
            return None
        try:
            url = make_url(given)
        except (ArgumentError, ValueError):
            raise ValueError(f"is no address of a database; {_MEANT}") from None
        if url.drivername != "postgresql" or not url.database:
            raise ValueError(_MEANT)
        if url.password is not None:
            raise ValueError("holds a password; put that into a file and name it in password_file")
        return given

    @property
    def where(self) -> Path | URL:
        """What `Store` opens. Raises StoreError where the password cannot be read."""
        if self.url is None:
            return self.path
        url = make_url(self.url)
        if self.password_file is None:
            return url
        try:
            return url.set(password=self.password_file.read_text(encoding="utf-8").strip())
        except (OSError, UnicodeDecodeError) as error:
            raise StoreError(f"password of {url}: {error}; see the setting store.password_file") from error
