"""Tokens on both databases: a token identifies its holder until it is revoked."""

from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import URL

from strikewatch.errors import Refused, Unknown
from strikewatch.storage.actions import tokens
from strikewatch.storage.commit.store import Store


def test_a_token_identifies_its_holder_until_it_is_revoked(where: Path | URL) -> None:
    with closing(Store(where)) as store, store.write() as connection:
        assert not tokens.any_exist(connection)
        one = tokens.add(connection, "Ada", "act", 5)
        other = tokens.add(connection, "Bo", "view", 6)
        with pytest.raises(Refused, match="before"):
            tokens.add(connection, "Ada", "view", 7)
        assert tokens.holder_of(connection, one) == tokens.Holder("Ada", "act", 5, None)
        assert tokens.holder_of(connection, other) == tokens.Holder("Bo", "view", 6, None)
        assert tokens.holder_of(connection, one[:-1]) is None
        assert tokens.holder_of(connection, "") is None
        assert tokens.revoke(connection, "Ada", 8)
        assert tokens.holder_of(connection, one) is None
        assert tokens.any_exist(connection)
        with pytest.raises(Unknown):
            tokens.revoke(connection, "Cy", 9)


def test_a_token_can_be_limited_to_sites(where: Path | URL) -> None:
    with closing(Store(where)) as store, store.write() as connection:
        token = tokens.add(connection, "Ada", "act", 5, ["pit", "bench"])
        for none in ([], [""], ["pit", ""]):
            with pytest.raises(Refused, match="leave the sites out"):
                tokens.add(connection, "Bo", "view", 6, none)
        holder = tokens.holder_of(connection, token)
        assert holder is not None
        assert holder.sites == {"pit", "bench"}
        cookie = tokens.begin_session(connection, holder, 7)
        assert tokens.session_holder(connection, cookie, 8) == holder
        assert tokens.valid_holder(connection, "Ada") == holder
        tokens.revoke(connection, "Ada", 9)
        assert tokens.valid_holder(connection, "Ada") is None
