"""Settings of the database: where it is, and how long data is kept."""

from pathlib import Path
from typing import TYPE_CHECKING, Final

from pydantic import BaseModel, ConfigDict, Field, field_validator

from strikewatch.errors import StoreError

if TYPE_CHECKING:
    from sqlalchemy import URL

_EXAMPLE: Final = "write it as postgresql://USER@HOST:5432/DATABASE"


class Settings(BaseModel):
    """The database: a SQLite file, or PostgreSQL instead."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")

    path: Path = Field(default=Path("strikewatch.db"), description="Database file, created if missing")
    url: str | None = Field(
        default=None,
        description="Address of a PostgreSQL database to use instead, postgresql://USER@HOST:5432/DATABASE",
    )
    password_file: Path | None = Field(
        default=None,
        description="File with the password for `url`; without it, PGPASSFILE and the like are used",
    )
    reserve_mib: float = Field(
        default=32.0,
        ge=0,
        le=4096,
        description="Disk space kept in reserve, released when the disk is full, MiB; 0: none",
    )
    rejects_kept: int = Field(
        default=10_000,
        ge=1,
        description="Rejected payloads kept for inspection (count); the oldest are removed",
    )
    rejects_days: float = Field(
        default=90.0, ge=0, description="Older rejected payloads are removed, days; 0: never"
    )
    alerts_days: float = Field(
        default=1095.0,
        ge=0,
        description="Alerts that ended earlier are removed with their history, days; 0: never. Open ones: never",
    )
    events_days: float = Field(
        default=1095.0, ge=0, description="Older events (sign-ons, greasings) are removed, days; 0: never"
    )
    bouts_days: float = Field(
        default=1095.0, ge=0, description="Older bouts and stretches of work are removed, days; 0: never"
    )
    sent_days: float = Field(
        default=30.0, ge=0, description="Messages delivered earlier are removed, days; 0: never"
    )

    @field_validator("url")
    @classmethod
    def _is_usable(cls, address: str | None) -> str | None:
        if address is None:
            return None
        from sqlalchemy import make_url
        from sqlalchemy.exc import ArgumentError

        try:
            url = make_url(address)
        except (ArgumentError, ValueError):
            raise ValueError(f"is not the address of a database; {_EXAMPLE}") from None
        if url.drivername != "postgresql" or not url.database:
            raise ValueError(_EXAMPLE)
        if url.password is not None:
            raise ValueError("holds a password; put it into a file and name that in password_file")
        return address

    @property
    def where(self) -> "Path | URL":
        """Return what `Store` opens. Raises StoreError if the password cannot be read."""
        if self.url is None:
            return self.path
        from sqlalchemy import make_url

        url = make_url(self.url)
        if self.password_file is None:
            return url
        try:
            return url.set(password=self.password_file.read_text(encoding="utf-8").strip())
        except (OSError, UnicodeDecodeError) as error:
            raise StoreError(f"password of {url}: {error}; see the setting store.password_file") from error


class RecorderSettings(BaseModel):
    """Recordings of live runs: where they are, how long each is, and how many are kept."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")

    folder: Path = Field(
        default=Path("recordings"), description="Folder in which {site}/{start}/ folders are created"
    )
    roll_s: float = Field(default=3600.0, ge=1, description="A recording ends at whole multiples of this, s")
    roll_mib: float = Field(
        default=8.0,
        gt=0,
        le=1024,
        description="A recording ends earlier at this size of raw data, which is held in memory, MiB",
    )
    keep_days: float = Field(default=365.0, ge=0, description="Older recordings are removed, days; 0: never")
    keep_gib: float = Field(
        default=20.0,
        ge=0,
        description="The oldest recordings are removed while all together exceed this, GiB; 0: never",
    )
