"""Admission of new hammers: a sender that invents sites and hammers fills neither the memory nor the tables."""

from collections.abc import Collection
from typing import Final

from strikewatch.core.batch import Key
from strikewatch.errors import Rejected

_REMEDY: Final = "known hammers are processed; list it in the settings, or raise"


class Admission:
    """The known hammers, and limits to new ones: in all, at a site, and of sites.

    `listed_hammers` (by name) and `listed_sites` are in the settings. Data of listed hammers is always processed,
    except at more than `max_sites` sites that are not listed. Hammers at a listed site count for that site only: a
    sender that invents other sites takes none of their places. A message does not say which account published it, so
    within a site only the broker can tell senders apart.
    """

    def __init__(
        self,
        max_hammers: int,
        max_hammers_per_site: int,
        max_sites: int,
        listed_hammers: Collection[str] = (),
        listed_sites: Collection[str] = (),
    ) -> None:
        self._max_hammers = max_hammers
        self._max_hammers_per_site = max_hammers_per_site
        self._max_sites = max_sites
        self._listed_hammers = listed_hammers
        self._listed_sites = listed_sites
        self._known: set[Key] = set()
        self._unlisted_at: dict[str, int] = {}  # site → number of its known hammers that are not listed
        self._elsewhere = 0  # those of them that are at sites that are not listed
        self._sites: set[str] = (
            set()
        )  # those that are not listed: with a hammer that is not listed, and others
        self._sites_of_listed: set[str] = set()

    def __contains__(self, key: Key) -> bool:
        return key in self._known

    def check(self, key: Key) -> None:
        """Raise Rejected for a new hammer beyond a limit."""
        if key in self._known:
            return
        site, hammer = key
        listed = hammer in self._listed_hammers
        if site not in self._listed_sites:
            sites = self._sites_of_listed if listed else self._sites
            if site not in self._sites and site not in sites and len(sites) >= self._max_sites:
                detail = f"{len(sites)} sites are known, this is not one of them; {_REMEDY} intake.max_sites"
                raise Rejected("too_many_sites", detail)
        if listed:
            return
        at_site = self._unlisted_at.get(site, 0)
        if at_site >= self._max_hammers_per_site:
            detail = f"{at_site} hammers of {site} are known; {_REMEDY} intake.max_hammers_per_site"
            raise Rejected("too_many_hammers", detail)
        if site not in self._listed_sites and self._elsewhere >= self._max_hammers:
            detail = f"{self._elsewhere} hammers are known; {_REMEDY} intake.max_hammers, or list the site"
            raise Rejected("too_many_hammers", detail)

    def add(self, key: Key) -> None:
        """Add a hammer to the known ones."""
        if key in self._known:
            return
        self._known.add(key)
        site, hammer = key
        listed = hammer in self._listed_hammers
        if not listed:
            self._unlisted_at[site] = self._unlisted_at.get(site, 0) + 1
            self._elsewhere += site not in self._listed_sites
        if site not in self._listed_sites and site not in self._sites:
            (self._sites_of_listed if listed else self._sites).add(site)
