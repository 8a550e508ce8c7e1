"""Invented hammers and sites are refused beyond a limit, known and listed ones are not; nothing grows with them."""

from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import func, select

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.errors import Rejected
from strikewatch.service.intake.admission import Admission
from strikewatch.settings.tree import Settings
from strikewatch.sources.mqtt import Message
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema import tables
from tests.service.bench import GivenMessages, work_off, worker_of

RECEIVED = 1_772_608_800 * SECOND
HAMMERS, PER_SITE, SITES = 12, 5, 4
LISTED = ("HB-01", "HB-02")
LIMITS = {"max_hammers": HAMMERS, "max_hammers_per_site": PER_SITE, "max_sites": SITES}


def admits(admission: Admission, site: str, hammer: str) -> str | None:
    """Add a hammer unless it is refused; the reason if it is."""
    try:
        admission.check((site, hammer))
    except Rejected as error:
        return error.reason
    admission.add((site, hammer))
    return None


@given(
    st.lists(
        st.tuples(st.integers(0, 12), st.integers(1, 30)).map(lambda n: (f"site-{n[0]}", f"HB-{n[1]:02d}"))
    )
)
def test_what_is_admitted_stays_within_the_limits_and_stays_admitted(keys: list[tuple[str, str]]) -> None:
    admission = Admission(HAMMERS, PER_SITE, SITES, LISTED, ("site-0",))
    known = set()
    for key in keys:
        if admits(admission, *key) is None:
            known.add(key)
    unlisted = [key for key in known if key[1] not in LISTED]
    assert sum(site != "site-0" for site, _ in unlisted) <= HAMMERS
    assert max(Counter(site for site, _ in unlisted).values(), default=0) <= PER_SITE
    assert len({site for site, _ in unlisted} - {"site-0"}) <= SITES
    assert len({site for site, _ in known}) <= 2 * SITES + 1
    assert not [key for key in known if admits(admission, *key)]


def test_listed_hammers_and_sites_are_admitted_beyond_the_limits() -> None:
    admission = Admission(2, 2, 1, LISTED, ("fennick-hollow",))
    assert admits(admission, "a", "HB-08") is None
    assert admits(admission, "a", "HB-09") is None
    assert admits(admission, "a", "HB-10") == "too_many_hammers"
    assert admits(admission, "b", "HB-10") == "too_many_sites"
    assert admits(admission, "a", "HB-01") is None
    assert admits(admission, "b", "HB-01") is None
    assert admits(admission, "c", "HB-01") == "too_many_sites"  # or one name would do to invent sites
    assert admits(admission, "fennick-hollow", "HB-02") is None


@given(st.lists(st.integers(0, 40).map(lambda n: (f"site-{n % 7}", f"HB-{n:02d}"))))
def test_a_sender_that_invents_sites_and_hammers_takes_no_place_of_a_listed_site(
    invented: list[tuple[str, str]],
) -> None:
    """The quota of a site is its own: each of its new hammers is admitted, whatever came before."""
    admission = Admission(HAMMERS, PER_SITE, SITES, (), ("fennick-hollow",))
    for key in invented:
        admits(admission, *key)
    new = [admits(admission, "fennick-hollow", f"HB-{n:02d}") for n in range(PER_SITE + 1)]
    assert new == [*[None] * PER_SITE, "too_many_hammers"]


class Bench:
    """A worker with a real database. `send` has it process a sample of each hammer."""

    def __init__(self, path: Path, hammers: Iterable[str] = ()) -> None:
        settings = Settings.model_validate({"intake": LIMITS, "hammers": {name: {} for name in hammers}})
        self.source = GivenMessages()
        self.store = Store(path)
        self.sent = 0
        self.worker = worker_of(self.store, self.source, lambda: RECEIVED, settings=settings)

    def send(self, keys: Iterable[tuple[str, str]], payload: bytes | None = None) -> None:
        self.sent += 1
        at = instant.text(RECEIVED - 60 * SECOND + self.sent * SECOND)
        body = payload or b'{"time":"%s","oil_c":50}' % at.encode()
        self.source.coming += [
            Message(f"strikewatch/{site}/{hammer}/samples", body, RECEIVED, 0, 1, 1, False)
            for site, hammer in keys
        ]
        work_off(self.worker)

    def count(self, table: Any) -> int:
        with self.store.read() as connection:
            return connection.scalar(select(func.count()).select_from(table)) or 0


def test_invented_hammers_are_refused_and_counted_and_known_ones_go_on(tmp_path: Path) -> None:
    """At 1,000 sites, then at one; after a restart, too. Each refused message is acknowledged."""
    path = tmp_path / "strikewatch.db"
    bench = Bench(path)
    bench.send([("fennick-hollow", "HB-03")])
    bench.send((f"site-{n % 1000}", f"HB-{n}") for n in range(3000))
    bench.send(("fennick-hollow", f"HB-{n}") for n in range(100, 200))
    assert len(bench.source.acknowledged) == 3101
    assert bench.count(tables.hammer_state) <= HAMMERS
    assert bench.count(tables.feed_problems) <= 2 * SITES
    refused = bench.worker.rejected
    assert refused.keys() == {"too_many_hammers", "too_many_sites"}
    assert sum(refused.values()) == 3101 - bench.count(tables.hammer_state)
    with bench.store.read() as connection:
        named = {problem.name: problem for problem in feed_problems.search(connection, RECEIVED)}
        topics = {name: [one.topic for one in feed_problems.examples(connection, name, 3)] for name in named}
        assert [one.count for one in feed_problems.search(connection, RECEIVED, sender="other senders")]
    assert named["other senders"].reason == "too_many_sites"
    assert "intake.max_sites" in named["other senders"].remedy
    assert named["fennick-hollow"].reason == "too_many_hammers"
    assert (
        topics["fennick-hollow"][0] == "strikewatch/fennick-hollow/HB-199/samples"
    )  # which of them were refused
    assert topics["other senders"][0].startswith("strikewatch/site-999/")
    bench.store.close()

    again = Bench(path, ["HB-99"])
    again.send([("fennick-hollow", "HB-03"), ("fennick-hollow", "HB-99"), ("fennick-hollow", "HB-98")])
    assert again.worker.rejected == {"too_many_hammers": 1}
    again.store.close()


def test_messages_that_are_not_used_take_no_place(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "strikewatch.db")
    bench.send(((f"site-{n}", "HB-01") for n in range(50)), b"[")
    bench.send([(f"fennick-{n}", "HB-01") for n in range(SITES)])
    assert bench.count(tables.hammer_state) == SITES
    bench.store.close()
