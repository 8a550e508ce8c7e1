"""Which addresses may be connected to."""

import socket
import threading
from ipaddress import IPv4Address, IPv6Address, ip_address

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.sinks.address import (
    ForbiddenAddressError,
    parse_networks,
    rejection_reason,
    resolve_allowed,
    system_resolver,
)

NOWHERE = [
    "0.0.0.0",
    "0.1.2.3",
    "10.1.2.3",
    "100.64.0.1",
    "127.0.0.1",
    "127.255.255.254",
    "169.254.169.254",
    "172.16.0.1",
    "172.31.255.255",
    "192.0.0.1",
    "192.0.2.1",
    "192.88.99.1",
    "192.168.1.1",
    "198.18.0.1",
    "198.51.100.1",
    "203.0.113.1",
    "224.0.0.1",
    "239.255.255.255",
    "240.0.0.1",
    "255.255.255.255",
    "::",
    "::1",
    "::7f00:1",
    "::ffff:127.0.0.1",
    "::ffff:10.0.0.1",
    "64:ff9b::7f00:1",
    "64:ff9b::a9fe:a9fe",
    "64:ff9b:1::1",
    "100::1",
    "2001::1",
    "2001:0:4136:e378:8000:63bf:80ff:fffe",
    "2001:db8::1",
    "2002:7f00:1::",
    "2002:808:808::1",
    "3fff::1",
    "5f00::1",
    "fc00::1",
    "fd12:3456::1",
    "fe80::1",
    "fec0::1",
    "ff02::1",
]
"""From IANA's special-purpose address registries, and what wraps an IPv4 address of them."""

SOMEWHERE = ["8.8.8.8", "1.1.1.1", "172.32.0.1", "2001:4860:4860::8888", "::ffff:8.8.8.8", "64:ff9b::808:808"]


@pytest.mark.parametrize("text", NOWHERE)
def test_addresses_that_are_not_public_are_refused(text: str) -> None:
    assert rejection_reason(ip_address(text), ()) is not None


@pytest.mark.parametrize("text", SOMEWHERE)
def test_public_addresses_are_allowed(text: str) -> None:
    assert rejection_reason(ip_address(text), ()) is None


@given(st.integers(0, 2**32 - 1))
def test_an_ipv4_address_embedded_in_ipv6_is_treated_like_itself(number: int) -> None:
    plain = rejection_reason(IPv4Address(number), ())
    assert rejection_reason(IPv6Address((0xFFFF << 32) | number), ()) == plain
    assert rejection_reason(IPv6Address((0x64FF9B << 96) | number), ()) == plain
    assert rejection_reason(IPv6Address((0x2002 << 112) | number << 80), ()) is not None


def test_only_the_allowed_private_networks_are_permitted() -> None:
    allowed = parse_networks(["10.1.0.0/16", "fd00:1::/32"])
    for text in ("10.1.255.255", "fd00:1::7", "::ffff:10.1.0.1"):
        assert rejection_reason(ip_address(text), allowed) is None
    for text in ("10.2.0.1", "127.0.0.1", "fd00:2::1", "::1"):
        assert rejection_reason(ip_address(text), allowed) is not None


def test_multicast_and_unspecified_addresses_are_always_refused() -> None:
    allowed = parse_networks(["0.0.0.0/0", "::/0"])
    for text in ("0.0.0.0", "255.255.255.255", "224.0.0.1", "::", "ff02::1"):
        assert rejection_reason(ip_address(text), allowed) is not None


def test_one_forbidden_address_of_a_host_is_enough_to_refuse_it() -> None:
    with pytest.raises(
        ForbiddenAddressError, match=r"169\.254\.169\.254 \(for two\.test\) is link-local.*allow_private"
    ):
        resolve_allowed("two.test", 443, (), 1, lambda *_: ["8.8.8.8", "169.254.169.254"])
    assert resolve_allowed("two.test", 443, (), 1, lambda *_: ["8.8.8.8", "1.1.1.1", "8.8.8.8"]) == [
        "8.8.8.8",
        "1.1.1.1",
    ]


@pytest.mark.parametrize(
    "host", ["2130706433", "0x7f000001", "0x7f.1", "017700000001", "127.1", "127.0.0.1", "0"]
)
def test_unusual_spellings_of_addresses_are_recognised(host: str) -> None:
    """Decimal, hexadecimal, octal, shortened: the resolver accepts them all, and its answer is checked."""
    with pytest.raises(ForbiddenAddressError, match=r"127\.0\.0\.1|0\.0\.0\.0"):
        resolve_allowed(host, 80, (), 5, system_resolver)


def test_a_hanging_look_up_times_out() -> None:
    over = threading.Event()

    def hang(_host: str, _port: int) -> list[str]:
        over.wait(20)
        return ["8.8.8.8"]

    with pytest.raises(TimeoutError, match=r"within 0\.05 s"):
        resolve_allowed("slow.test", 443, (), 0.05, hang)
    over.set()


def test_an_unknown_host_name_is_reported() -> None:
    def unknown(_host: str, _port: int) -> list[str]:
        raise socket.gaierror(-2, "Name or service not known")

    with pytest.raises(socket.gaierror, match="not known"):
        resolve_allowed("absent.test", 443, (), 1, unknown)
