"""Settings of the HTTP interface."""

import ipaddress
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict, Field, field_validator

Network = ipaddress.IPv4Network | ipaddress.IPv6Network


class Settings(BaseModel):
    """The HTTP interface. Without tokens it serves this machine only, and changes nothing."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid", allow_inf_nan=False)

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
    local_view_without_token: bool = Field(
        False, description="Whether this machine may view without a token once a token exists"
    )
    trusted_proxies: tuple[str, ...] = Field(
        (),
        description="Networks of proxies whose X-Forwarded-For or Forwarded names the client, such as 127.0.0.1/32; "
        "each must append to one of these headers; then no request counts as made at this machine",
    )
    hosts: tuple[str, ...] = Field(
        (),
        description="Further names, without port, under which browsers reach the page, such as page.example; requests "
        "under other names are refused. Empty with a proxy, or with a host that others can reach: any name is accepted",
    )
    strip_h: float = Field(
        10.0, ge=1, le=48, description="The time that a hammer's timeline on the page shows, h"
    )
    words_folder: Path | None = Field(
        None,
        description="A folder of translations of the page, files like en.toml; left out: only those included",
    )
    tls_in_front: bool = Field(
        False,
        description="Whether a proxy in front uses TLS; then browsers send sessions over TLS only, and no request "
        "counts as made at this machine",
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

    @field_validator("hosts")
    @classmethod
    def _are_host_names(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        for name in names:
            if not _HOST_NAME.fullmatch(name) and not _is_address(name):
                raise ValueError(f"{name!r} is not a host name: write it without scheme, port and path")
        return names

    @property
    def trusts_local(self) -> bool:
        """Whether a request from a loopback address may count as made at this machine: no proxy is configured."""
        return self.loopback and not self.tls_in_front and not self.trusted_proxies

    @property
    def accepts_any_host(self) -> bool:
        """Whether host names are not checked: no name is listed, and every request needs a token."""
        return not self.hosts and not self.trusts_local

    @property
    def loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return is_loopback(self.host)


LOCALHOST: Final = "localhost"
_HOST_NAME: Final = re.compile(r"[A-Za-z0-9_-]+(\.[A-Za-z0-9_-]+)*")


def is_loopback(host: str) -> bool:
    """Return whether a host is this machine, by its literal address or as localhost."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == LOCALHOST


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def networks(texts: Iterable[str]) -> tuple[Network, ...]:
    """Parse networks and single addresses. Raises ValueError naming the first text that is neither."""
    parsed = []
    for text in texts:
        try:
            parsed.append(ipaddress.ip_network(text))
        except ValueError as error:
            raise ValueError(f"{error}: write a network such as 10.1.0.0/16, or an address") from None
    return tuple(parsed)
