"""Instants in the local time of their site (settings `sites.zone` and `sites.zones`), as tables show them."""

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

import click

from strikewatch.core import instant
from strikewatch.core.instant import Instant

if TYPE_CHECKING:
    from strikewatch.settings.tree import Settings

_SITES: Final = "strikewatch.sites"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_UTC: Final = ZoneInfo("UTC")


def use_zones(settings: "Settings") -> None:
    """Show times of the running command as these settings say."""
    context = click.get_current_context(silent=True)
    if context is not None:
        context.meta[_SITES] = settings.sites


def zone(site: str = "") -> ZoneInfo:
    """Return the time zone of a site; without one, that of all sites; outside a command, UTC."""
    context = click.get_current_context(silent=True)
    sites = None if context is None else context.meta.get(_SITES)
    return _UTC if sites is None else sites.zone_of(site)


def local(at: Instant | str, site: str = "") -> datetime:
    """Return an instant, or its RFC 3339 text, in local time, to the microsecond."""
    ns = instant.parse(at) if isinstance(at, str) else at
    return (_EPOCH + timedelta(microseconds=ns // 1000)).astimezone(zone(site))


def minute(at: Instant | str, site: str = "") -> str:
    """Return month, day, hour and minute, for a column whose heading names the zone."""
    return f"{local(at, site):%m-%d %H:%M}"


def second(at: Instant | str, site: str = "") -> str:
    """Return date and time to the second, for a column whose heading names the zone."""
    return f"{local(at, site):%Y-%m-%d %H:%M:%S}"


def named(at: Instant | str, site: str = "") -> str:
    """Return month, day, hour, minute and the zone, for a sentence."""
    return f"{local(at, site):%m-%d %H:%M %Z}"


def heading(what: str, site: str = "") -> str:
    """Return the heading of a column of times, with the zone."""
    return f"{what} ({zone(site).key})"
