"""The limit of a query to the sites that a token is good for."""

from collections.abc import Collection
from typing import Any

from sqlalchemy import ColumnElement

Sites = Collection[str] | None
"""The only sites of a query; None: all."""


def of_sites(column: ColumnElement[Any], sites: Sites) -> list[ColumnElement[bool]]:
    """Return the conditions that limit a query by its column of sites."""
    return [] if sites is None else [column.in_(sorted(sites))]


def permits(sites: Sites, site: str) -> bool:
    """Return whether a site is one of them."""
    return sites is None or site in sites
