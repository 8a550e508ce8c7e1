"""Settings of the HTTP interface."""

import ipaddress
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict, Field, field_validator

from strikewatch.web.client_address import networks


class Settings(BaseModel):
    """The HTTP interface. Without tokens it serves this machine only, and changes nothing."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    enabled: bool = Field(True, description="Whether to listen at all")
    host: str = Field(
        "127.0.0.1", description="Address to listen on; one that others can reach needs a token first"
    )
    port: int = Field(8470, ge=1, le=65_535, description="TCP port")
    timeout_s: float = Field(10.0, gt=0, description="The longest that one request may take, s")
    body_limit_kib: int = Field(64, ge=1, description="The largest body of a request, KiB")
    failures: int = Field(
        10,
        ge=1,
        description="Failed sign-ins with one token or from one address within a minute, after which further failures "
        "must wait (count); valid tokens and sessions always pass",
    )
    look_freely: bool = Field(
        False, description="Whether this machine may view without a token once a token exists"
    )
    trusted_proxies: tuple[str, ...] = Field(
        (),
        description="Networks of proxies whose X-Forwarded-For or Forwarded names the client, such as 127.0.0.1/32; "
        "each must append to one of these headers",
    )
    strip_h: float = Field(
        10.0, ge=1, le=48, description="The time that a hammer's timeline on the page shows, h"
    )
    words_folder: Path | None = Field(
        None,
        description="A folder of translations of the page, files like en.toml; left out: only those included",
    )
    tls_in_front: bool = Field(
        False, description="Whether a proxy in front uses TLS; then browsers send sessions over TLS only"
    )
    ready_lag_s: float = Field(
        30.0,
        gt=0,
        description="When a message has waited longer than this for its step, the processor is not ready, s",
    )

    @field_validator("trusted_proxies")
    @classmethod
    def _are_networks(cls, texts: tuple[str, ...]) -> tuple[str, ...]:
        networks(texts)
        return texts

    @property
    def loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return is_loopback(self.host)


LOCALHOST: Final = "localhost"


def is_loopback(host: str) -> bool:
    """Return whether a host is this machine, by its literal address or as localhost."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == LOCALHOST
