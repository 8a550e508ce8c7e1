"""The target of signed posts: address, secrets, trust and time limits, for endpoints and the heartbeat."""

import base64
import binascii
import os
import re
from pathlib import Path
from typing import Final, Self
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from strikewatch.errors import SettingsError
from strikewatch.sinks import address

SECRET_PREFIX: Final = "whsec_"
MAX_SECRETS: Final = 2
"""How many secrets may be in use at once: the current one, and the previous one during a rotation."""


class Target(BaseModel):
    """A receiver of signed posts."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    url: str = Field(description="Where to post, https:// (or http://, see allow_http)")
    secret_file: Path | None = Field(
        default=None,
        description="File that holds the signing secret, whsec_ and 24 to 64 bytes in base64; two lines sign twice",
    )
    secret_env: str | None = Field(
        default=None,
        description="Environment variable that holds the signing secret, in place of a file; two, apart by a space",
    )
    ca_file: Path | None = Field(
        default=None, description="Certificate authorities to trust in place of the system's"
    )
    allow_private: tuple[str, ...] = Field(
        default=(),
        description="Private networks that may be posted to, such as 10.1.0.0/16",
    )
    allow_http: bool = Field(
        default=False, description="Whether http:// (not encrypted) may be used to public addresses"
    )
    connect_timeout_s: float = Field(
        default=5.0,
        gt=0,
        le=60,
        description="Time limit of each look-up, connection and TLS handshake, s",
    )
    timeout_s: float = Field(default=15.0, gt=0, le=60, description="Time limit of a whole attempt, s")

    @field_validator("url")
    @classmethod
    def _address(cls, url: str) -> str:
        whole = "must be a complete address, like https://alerts.example/strikewatch"
        try:
            parts = urlsplit(url)
            host, _ = parts.hostname, parts.port
        except ValueError as error:
            raise ValueError(f"{whole} ({error})") from None
        if parts.scheme not in ("http", "https") or not host or not re.fullmatch(r"[!-~]+", url):
            raise ValueError(whole)
        if parts.username is not None or parts.password is not None:
            raise ValueError("must not hold a user or password: messages are signed instead")
        return url

    @field_validator("allow_private")
    @classmethod
    def _networks(cls, texts: tuple[str, ...]) -> tuple[str, ...]:
        address.parse_networks(texts)
        return texts

    @model_validator(mode="after")
    def _one_secret(self) -> Self:
        if (self.secret_file is None) == (self.secret_env is None):
            raise ValueError("name the signing secret by either secret_file or secret_env")
        return self


def read_secrets(settings: Target, place: str) -> tuple[bytes, ...]:
    """Read the signing keys, the current one first. Raises SettingsError, which never shows a secret."""
    if settings.secret_file is not None:
        path = f"{place} secret_file"
        try:
            text = settings.secret_file.read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError([(path, f"cannot read {settings.secret_file}: {error}")]) from None
    else:
        path = f"{place} secret_env"
        text = os.environ.get(settings.secret_env or "", "")
        if not text:
            raise SettingsError([(path, f"the environment variable {settings.secret_env} is not set")])
    secrets = text.split()
    try:
        if not 1 <= len(secrets) <= MAX_SECRETS:
            raise ValueError(f"holds {len(secrets)} secrets: give one, or two while receivers change over")
        return tuple(key_of(secret) for secret in secrets)
    except ValueError as error:
        raise SettingsError([(path, str(error))]) from None


def key_of(secret: str) -> bytes:
    """Decode the key in a secret of the form whsec_…. Raises ValueError, which never shows the secret."""
    remedy = f"a signing secret is {SECRET_PREFIX} and then 24 to 64 bytes in base64"
    if not secret.startswith(SECRET_PREFIX):
        raise ValueError(remedy)
    try:
        key = base64.b64decode(secret.removeprefix(SECRET_PREFIX), validate=True)
    except binascii.Error:
        raise ValueError(remedy) from None
    if not 24 <= len(key) <= 64:
        raise ValueError(f"{remedy}, this one has {len(key)}")
    return key
