"""Client addresses behind proxies and the limit on failed sign-ins: a client cannot influence either."""

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.requests import Request

from strikewatch.web import authentication
from strikewatch.web.authentication import FORWARDING, Client, FailureLimiter, find_client
from strikewatch.web.settings import Settings, networks

HEADERS = (
    *FORWARDING,
    "x-forwarded-for",
    "x-forwarded-host",
    "x-forwarded-proto",
    "x-forwarded-by-a-new-one",
)
PROXY, OTHER = "10.1.0.5", "10.1.7.9"
PROXIES = networks(["10.1.0.0/16"])
Headers = Sequence[tuple[str, str]]
texts = st.text(st.characters(codec="latin-1", exclude_characters="\r\n\0"), max_size=60)
public = st.ip_addresses(v=4).filter(lambda address: all(address not in network for network in PROXIES))


def found(peer: str, headers: Headers = (), proxies: Sequence[str] = ("10.1.0.0/16",)) -> Client:
    raw = [(name.lower().encode(), value.encode("latin-1")) for name, value in headers]
    scope = {"type": "http", "client": (peer, 4711), "headers": raw, "method": "GET", "path": "/"}
    return find_client(Request(scope), networks(proxies))


# The examples of RFC 7239, sections 4, 6 and 7.1, each as the one proxy in front has written it.
@pytest.mark.parametrize(
    ("value", "name"),
    [
        ("for=192.0.2.60;proto=http;by=203.0.113.43", "192.0.2.60"),
        ("for=192.0.2.43, for=198.51.100.17", "198.51.100.17"),
        ('For="[2001:db8:cafe::17]:4711"', "2001:db8:cafe::/64"),
        ('for="192.0.2.43:47011"', "192.0.2.43"),
        ("for=unknown", PROXY),
        ('for="_gazonk"', PROXY),
        ("for=_SEVKISEK, for=192.0.2.43", "192.0.2.43"),
        ('for=192.0.2.1;host="a, for=6.6.6.6"', "192.0.2.1"),
        ('for="192.0.2.1, for=192.0.2.2', PROXY),
    ],
)
def test_forwarded_is_read_as_published(value: str, name: str) -> None:
    assert found(PROXY, [("Forwarded", value)]) == Client(name, False)


@pytest.mark.parametrize(
    ("value", "name"),
    [
        ("192.0.2.43", "192.0.2.43"),
        ("192.0.2.43:47011", "192.0.2.43"),
        ("::ffff:192.0.2.43", "192.0.2.43"),
        ("2001:db8:cafe::17", "2001:db8:cafe::/64"),
        ("[2001:db8:cafe::17]:4711", "2001:db8:cafe::/64"),
        (f"6.6.6.6, 192.0.2.43, {OTHER}", "192.0.2.43"),
        (f"{OTHER}, {PROXY}", OTHER),
        ("192.0.2.43, nonsense", PROXY),
        ("", PROXY),
    ],
)
def test_the_rightmost_address_that_is_no_trusted_proxy_counts(value: str, name: str) -> None:
    assert found(PROXY, [("X-Forwarded-For", value)]) == Client(name, False)


@given(texts, public, st.lists(st.sampled_from([PROXY, OTHER]), max_size=3))
def test_addresses_that_a_client_claims_are_ignored(claimed: str, peer: object, beyond: list[str]) -> None:
    written = ", ".join([claimed, str(peer), *beyond])
    assert found(PROXY, [("X-Forwarded-For", written)]).name == str(peer)


@given(texts, public)
def test_a_header_that_the_proxy_only_passes_on_is_ignored(claimed: str, peer: object) -> None:
    """The proxy appends to one, the client invents the other."""
    for headers in (
        [("X-Forwarded-For", str(peer)), ("Forwarded", claimed)],
        [("X-Forwarded-For", claimed), ("Forwarded", f"for={peer}")],
    ):
        assert found(PROXY, headers).name in (str(peer), PROXY)


@given(st.lists(st.tuples(st.sampled_from(HEADERS), texts), max_size=4), st.booleans())
def test_no_header_makes_a_client_another_or_local(headers: Headers, trusting: bool) -> None:
    proxies = ["10.1.0.0/16"] if trusting else []
    for peer in ("192.0.2.1", "127.0.0.1"):
        assert found(peer, headers, proxies).name == peer
        assert found(peer, headers, proxies).local == (peer == "127.0.0.1" and not headers)
    assert not found(PROXY, headers, proxies).local


def test_an_address_of_a_configured_proxy_is_not_this_machine() -> None:
    assert found("127.0.0.1").local
    assert not found("127.0.0.1", proxies=["127.0.0.0/8"]).local


def test_an_invalid_network_is_refused_with_the_remedy() -> None:
    with pytest.raises(ValueError, match=r"proxy\.example.*write a network such as"):
        Settings(trusted_proxies=("proxy.example",))


QUARTERS_OF_A_SECOND = st.integers(0, 160).map(lambda quarters: quarters / 4)
"""Waits whose sums are exact, so that waiting for exactly as long as asked ends at the end of the window."""


@given(st.lists(st.tuples(st.sampled_from("ab"), st.sampled_from("xyz"), QUARTERS_OF_A_SECOND), max_size=60))
def test_no_credential_and_no_client_fails_more_often_than_allowed(
    failures: list[tuple[str, str, float]],
) -> None:
    """Twice the limit in any minute at most: a minute's count begins with its first failure."""
    now = [0.0]
    limiter, counted = FailureLimiter(3, lambda: now[0]), []
    for credential, who, later_s in failures:
        now[0] += later_s
        wait_s = limiter.record_failure(credential, who)
        assert 0 <= wait_s <= authentication.WINDOW_S
        if not wait_s:
            counted.append((now[0], credential, who))
        else:  # waiting helps
            now[0] += wait_s
            assert limiter.record_failure(credential, who) == 0
            counted.append((now[0], credential, who))
    for end, *senders in counted:
        for k, name in enumerate(senders):
            within = [at_s for at_s, *names in counted if end - 60 < at_s <= end and names[k] == name]
            assert len(within) <= 6


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(authentication, "REMEMBERED", 100)
    limiter = FailureLimiter(3, lambda: 0.0)
    for k in range(1000):
        limiter.record_failure(f"credential {k}", f"client {k}")
    assert {len(limiter._by_credential), len(limiter._by_client)} == {100}
