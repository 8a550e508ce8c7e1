"""Where the HTTP interface listens, and how much it lets itself be asked."""

import ipaddress
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict, Field, field_validator

from strikewatch.web.client_address import networks


class Settings(BaseModel):
    """The HTTP interface. Without tokens it is bound to this machine only, and only shows."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    enabled: bool = Field(True, description="Whether to listen at all")
    host: str = Field(
        "127.0.0.1", description="Address to listen on; any but this machine's own needs a token first"
    )
    port: int = Field(8470, ge=1, le=65_535, description="TCP port")
    timeout_s: float = Field(10.0, gt=0, description="How long one request may take in all, s")
    body_limit_kib: int = Field(64, ge=1, description="The largest body of a request that is read, KiB")
    failures: int = Field(
        10,
        ge=1,
        description="Failed sign-ins with one token or from one address within a minute, after which further failures "
        "must wait (count); valid tokens and sessions always pass",
    )
    look_freely: bool = Field(
        False, description="Whether everybody at this machine may look without a token, once there are any"
    )
    trusted_proxies: tuple[str, ...] = Field(
        (),
        description="Networks of proxies whose X-Forwarded-For or Forwarded names the client, such as 127.0.0.1/32; "
        "each must append to one of these headers",
    )
    strip_h: float = Field(10.0, ge=1, le=48, description="What the page's strip of a hammer shows, h")
    words_folder: Path | None = Field(
        None, description="A folder of translations of the page, files like en.toml; left out: our own only"
    )
    tls_in_front: bool = Field(
        False, description="Whether a proxy in front speaks TLS, so that sign-ins travel under it only"
    )
    ready_lag_s: float = Field(
        30.0, gt=0, description="The longest that a message may have waited for its step when ready, s"
    )

    @field_validator("trusted_proxies")
    @classmethod
    def _are_networks(cls, texts: tuple[str, ...]) -> tuple[str, ...]:
        networks(texts)
        return texts

    @property
    def loopback(self) -> bool:
        """Whether nobody outside this machine can reach it."""
        return is_loopback(self.host)


LOCALHOST: Final = "localhost"


def is_loopback(host: str) -> bool:
    """Whether a host is this machine itself, by its literal address or as localhost."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == LOCALHOST
