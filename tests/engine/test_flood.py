"""When floods and chattering begin and end: against a twin that counts second by second, and at the exact instants."""

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from strikewatch.core.instant import SECOND
from strikewatch.engine.flood import Episode, Rules, Settings, assign, digest_due, end_of_episode

RULES = Rules.of(Settings())
MINUTE = 60 * SECOND


def counted(onsets_s: Sequence[int], at_s: int, window_s: int) -> int:
    return sum(at_s - window_s < one <= at_s for one in onsets_s)


def assignments(onsets_s: Sequence[int]) -> list[str]:
    """What becomes of low alerts of one fault of one hammer, by the definition and second by second.

    Chattering: 3 or more in a minute; it is over once a minute has none. Flood: more than 10 of what is told at the
    site in 10 min, over below 5 (CHECKS: ISA-18.2 / IEC 62682, EEMUA 191, figures from memory).
    """
    result: list[str] = []
    told: list[int] = []
    single: list[int] = []
    flood = chatter = False
    clock = onsets_s[0] if onsets_s else 0
    for onset in onsets_s:
        while clock < onset:
            flood = flood and counted(single, clock, 600) >= 5
            chatter = chatter and counted(told, clock, 60) >= 1
            clock += 1
        # at its own instant it counts
        flood = flood and counted([*single, onset], onset, 600) >= 5
        if not flood and not chatter:
            chatter = counted([*told, onset], onset, 60) >= 3
            flood = not chatter and counted([*single, onset], onset, 600) > 10
        fate = "flood" if flood else "chattering" if chatter else "alone"
        result.append(fate)
        told.append(onset)
        if fate != "chattering":
            single.append(onset)
    return result


def twin_assignments(onsets_s: Sequence[int]) -> list[str]:
    stream: list[int] = []
    site: list[int] = []
    spans: dict[str, Episode] = {}
    result = []
    for onset_s in onsets_s:
        onset = onset_s * SECOND
        stream.append(onset)
        site.append(onset)
        holding = {kind: span for kind, span in spans.items() if span.contains(onset)}
        verdict = assign(
            onset,
            "low",
            RULES,
            stream=stream,
            site=site,
            chattering=holding.get("chattering"),
            flood=holding.get("flood"),
        )
        if verdict is not None:
            spans[verdict[0]] = verdict[1]
        result.append(verdict[0] if verdict else "alone")
        if result[-1] == "chattering":
            site.pop()
    return result


gaps = st.lists(
    st.sampled_from([0, 1, 5, 19, 20, 29, 30, 31, 55, 59, 60, 61, 120, 149, 150, 151, 300, 600, 601]),
    max_size=60,
)


@given(gaps)
def test_assignments_equal_those_of_the_twin(between: list[int]) -> None:
    onsets, at = [], 1000
    for gap in between:
        at += gap
        onsets.append(at)
    assert twin_assignments(onsets) == assignments(onsets)


def test_the_twin_sees_floods_and_chattering() -> None:
    """Else agreeing with it would prove nothing."""
    gusts = [1000, 1020, 1040, 1060, 1119, 1120, 1180, 1241]
    assert assignments(gusts) == ["alone"] * 2 + ["chattering"] * 5 + ["alone"]
    steady = [1000 + 50 * k for k in range(14)]
    assert assignments(steady) == ["alone"] * 10 + ["flood"] * 4
    assert assignments([*steady, steady[-1] + 600])[-1] == "alone"


@given(st.lists(st.integers(0, 4000), min_size=1, max_size=40), st.integers(1, 6))
def test_an_episode_ends_at_the_first_instant_with_too_few(onsets_s: list[int], over: int) -> None:
    """By trying every second after the last onset before; the count falls at whole seconds only."""
    onsets_s.sort()
    since = onsets_s[-1]
    rule = RULES.flood.__class__("flood", 600 * SECOND, 11, over)
    end = end_of_episode(rule, [one * SECOND for one in onsets_s], since * SECOND)
    if counted(onsets_s, since, 600) < over:
        return
    first = next(s for s in range(since, since + 601) if counted(onsets_s, s, 600) < over)
    assert end == first * SECOND


@pytest.mark.parametrize(("eleventh_s", "verdict"), [(599, "flood"), (600, None)])
def test_ten_minutes_are_half_open(eleventh_s: int, verdict: str | None) -> None:
    """Eleven within less than 10 min are a flood; where the first is 10 min old it no longer counts."""
    onset = eleventh_s * SECOND
    site = [*(k * 59 * SECOND for k in range(10)), onset]
    found = assign(onset, "medium", RULES, stream=[onset], site=site, chattering=None, flood=None)
    assert (found and found[0]) == verdict


def test_high_priority_is_always_sent_alone() -> None:
    everything = Episode(0, 10**15)
    busy = [k * SECOND for k in range(101)]
    for priority, expected in (("high", None), ("medium", "flood")):
        found = assign(
            100 * SECOND, priority, RULES, stream=busy, site=busy, chattering=everything, flood=everything
        )  # type: ignore[arg-type]
        assert (found and found[0]) == expected


def test_a_digest_is_due_after_the_episode_or_after_the_longest_wait() -> None:
    now = 10**9 * SECOND
    assert digest_due(RULES, Episode(now - MINUTE, now + MINUTE), now, now) == now + MINUTE + 10 * SECOND
    assert digest_due(RULES, Episode(now - 60 * MINUTE, now - 40 * MINUTE), now, now) == now + 10 * SECOND
    assert digest_due(RULES, Episode(now - MINUTE, now + 10 * MINUTE), now - 9 * MINUTE, now) == now + MINUTE


def test_settings_that_contradict_themselves_are_refused() -> None:
    with pytest.raises(ValidationError, match="flood_below must not be above"):
        Settings(flood_above=4, flood_below=5)
    with pytest.raises(ValidationError, match="every delay_s"):
        Settings(delay_s={"hot_oil": -1.0})
