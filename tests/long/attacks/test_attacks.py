"""The quick attacks on one processor, one after the other; `python -m tests.long.attacks` is the whole, with a table.

Here nothing is judged by the clock, which other work on the machine slows down, but by processor time.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import pytest

from tests.long.attacks.__main__ import ATTACKS
from tests.long.attacks.attack import AttackReport, Reports, Result, format_failure, format_result
from tests.long.attacks.measure import AFTER_SHORT_S, Sites, run_attack, time_up_s

QUICK = {name: one.short for name, one in ATTACKS.items() if one.short is not None and one.plain}
PLAIN = ATTACKS["nesting"]
ALERT_TIMEOUT_S = 45.0


@pytest.fixture(scope="module")
def sites() -> Iterator[Sites]:
    with Sites(fresh=False) as made:
        yield made


@pytest.mark.parametrize("name", QUICK)
def test_an_attack_by_one_sender_delays_no_other_hammer(name: str, sites: Sites) -> None:
    attack = ATTACKS[name]
    result = run_attack(attack, sites.site(attack), QUICK[name], ALERT_TIMEOUT_S, AFTER_SHORT_S)
    broken = result.broken(timed=False)
    if broken:
        sites.renew()
    assert not broken, format_result(result, timed=False)


GOOD = Result(
    name="ones",
    done=AttackReport(3_000_001),
    alerts=4,
    delay_s=0.5,
    cpu_s=0.4,
    grown_mib=10.0,
    kept_mib=1.0,
    outstanding=0,
    deaths=0,
    reported=Reports({}, {}, Counter(too_many=1), "ready"),
    unreported=False,
)


def test_a_result_within_all_limits_holds() -> None:
    assert not GOOD.broken()
    assert "held" in format_result(GOOD)
    assert "3,000,001" in format_result(GOOD)
    assert "1 × too_many" in format_result(GOOD)
    assert "held, over goal" in format_result(replace(GOOD, delay_s=2.0))


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ({"delay_s": 3.5}, "took 3.5 s"),
        ({"alerts": 0, "delay_s": float("inf")}, "no alert of another hammer came"),
        ({"outstanding": 2}, "2 alerts or events of other hammers never came"),
        ({"grown_mib": 279.0}, "memory grew by 279 MiB"),
        ({"deaths": 1}, "ended 1 times"),
        ({"unreported": True}, "nothing was reported"),
        ({"done": AttackReport(broken=["/metrics answers 200"])}, "/metrics answers 200"),
    ],
)
def test_each_broken_limit_is_named(bad: dict[str, object], words: str) -> None:
    result = replace(GOOD, **bad)  # type: ignore[arg-type]
    assert words in " ".join(result.broken())
    assert "NOT HELD" in format_result(result)
    assert f"! {result.broken()[0]}" in format_result(result)


def test_limits_that_depend_on_machine_load_are_not_checked_in_ci() -> None:
    assert not replace(GOOD, delay_s=3.5).broken(timed=False)
    assert replace(GOOD, cpu_s=30.0).broken(timed=False)


def test_an_attack_that_ends_with_an_error_has_not_held() -> None:
    assert "NOT HELD" in format_failure(PLAIN, ZeroDivisionError("no"))


def test_the_time_of_a_restart_is_not_counted_as_a_delay() -> None:
    away = [(10.0, 70.0), (80.0, 90.0)]
    assert time_up_s(away, 5.0, 9.0) == 4.0
    assert time_up_s(away, 9.0, 71.0) == 2.0
    assert time_up_s(away, 60.0, 100.0) == 20.0
    assert time_up_s(away, 81.0, 89.0) == 0.0
