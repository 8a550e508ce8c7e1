"""The client id that the database keeps: one for each installation, through restarts and upgrades."""

import secrets
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import URL

from strikewatch.storage.commit.broker_session import (
    SavedSession,
    is_guessable,
    load_session,
    new_client_id,
    save_filters,
    save_held,
)
from strikewatch.storage.commit.store import Store
from tests.storage.test_migrations import FIRST_RELEASE, first_release


def test_the_client_id_is_made_once_and_kept(where: Path | URL) -> None:
    with closing(Store(where)) as store:
        made = load_session(store)
        assert made.held is None
        assert load_session(store) == made
        save_held(store, 5)
    with closing(Store(where)) as store:
        assert load_session(store) == SavedSession(made.client_id, 5)


def test_two_databases_have_two_client_ids_that_cannot_be_guessed(tmp_path: Path) -> None:
    found = []
    for name in ("one.db", "two.db"):
        with closing(Store(tmp_path / name)) as store:
            found.append(load_session(store).client_id)
    assert found[0] != found[1]
    assert not any(map(is_guessable, found))
    assert all(len(one) == len("strikewatch-") + 20 for one in found)


def test_a_database_of_an_earlier_release_keeps_the_session_that_may_hold_messages(tmp_path: Path) -> None:
    """Its rows came until 5 ns: the newest time in FIRST_RELEASE at which something arrived."""
    first_release(tmp_path / "used.db")
    with closing(Store(tmp_path / "used.db")) as store:
        assert load_session(store) == SavedSession("strikewatch", 5)
    unused = ";".join(one for one in FIRST_RELEASE.split(";") if not one.strip().startswith("INSERT"))
    with closing(sqlite3.connect(tmp_path / "unused.db")) as old:
        old.executescript(f"{unused};INSERT INTO strikewatch_schema VALUES (1);")
    with closing(Store(tmp_path / "unused.db")) as store:
        assert not is_guessable(load_session(store).client_id)


@pytest.mark.parametrize(
    "client_id", ["strikewatch", "strikewatch-1", "processor-fennick-hollow-2026-03-04", "x7", "a1b2-c3d4"]
)
def test_names_dates_and_short_ids_can_be_guessed(client_id: str) -> None:
    assert is_guessable(client_id)


def test_random_ids_cannot_be_guessed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nor is an id made that looks like a number by chance."""
    assert not is_guessable("0b8f3f4e-9d1a-4c6e-8a55-f1c2d3e4a5b6")
    digits = iter(["1" * 20, "a1" * 10])
    monkeypatch.setattr(secrets, "token_hex", lambda _n: next(digits))
    assert new_client_id() == "strikewatch-" + "a1" * 10


def test_the_filters_of_the_session_are_kept_and_not_known_at_first(where: Path | URL) -> None:
    with closing(Store(where)) as store:
        assert load_session(store).filters == ()
        save_filters(store, {"b/+", "a/#"})
    with closing(Store(where)) as store:
        assert load_session(store).filters == ("a/#", "b/+")
