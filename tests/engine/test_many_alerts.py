"""Many alerts in one step: linear work, and the same result as one step per alert."""

import json
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from sqlalchemy import text

from strikewatch.core.alert import Alert, Change
from strikewatch.core.instant import SECOND, Instant
from strikewatch.engine.flood import Episode, EpisodeRule, Rules, Settings, assign, end_of_episode, episodes
from strikewatch.storage.outbox.digests import MAX_DIGESTS, MAX_LISTED
from tests.engine.scenario import SITE, START, AlertScenario
from tests.profiles import examples

RULES = Rules.of(Settings())
INSTRUCTIONS = 100


def chattering(number: int, step_ns: int) -> list[Alert]:
    """Alerts of one fault of one hammer, the last of them now, each over before the next."""
    return [
        Alert("prying", SITE, "HB-01", "op-14", "medium", onset, onset + step_ns // 2)
        for onset in range(START - number * step_ns, START, step_ns)
    ]


def steps(scenario: AlertScenario, alert: Alert) -> list[Change]:
    cleared, alert.cleared = alert.cleared, None
    raised = scenario.change("raised", alert)
    alert.cleared = cleared
    return [raised, scenario.change("cleared", alert)]


def in_turn(gaps_s: Sequence[int], high: range) -> list[tuple[int, str, str, int, bool]]:
    """Alerts of all hammers and faults in turn, some of them of high priority."""
    return [
        (k % 3, ("prying", "submerged")[k % 2], "high" if k in high else "medium", gap_s, True)
        for k, gap_s in enumerate(gaps_s)
    ]


def work(folder: Path, number: int, step_ns: int) -> int:
    """How many hundreds of instructions the database runs to commit so many alerts, and to send what is due."""
    folder.mkdir()
    scenario = AlertScenario(folder)
    done = 0

    def count() -> int:
        nonlocal done
        done += 1
        return 0

    with scenario.store.write() as connection:
        driver: Any = connection.connection.dbapi_connection
        driver.set_progress_handler(count, INSTRUCTIONS)
    scenario.commit(*(change for alert in chattering(number, step_ns) for change in steps(scenario, alert)))
    driver.set_progress_handler(None, 0)
    scenario.close()
    return done


@pytest.mark.parametrize("step_ns", [2_000_000, 30 * SECOND], ids=["all-within-a-second", "over-hours"])
def test_four_times_the_alerts_in_a_step_cost_about_four_times_the_work(tmp_path: Path, step_ns: int) -> None:
    few, many = (work(tmp_path / str(number), number, step_ns) for number in (250, 1000))
    assert many < 6 * few


class Watched(Sequence[Instant]):
    """Sorted onsets that count how often one is read."""

    def __init__(self, onsets: Sequence[Instant]) -> None:
        self._onsets = onsets
        self.reads = 0

    def __len__(self) -> int:
        return len(self._onsets)

    def __getitem__(self, k: Any) -> Any:
        self.reads += 1
        return self._onsets[k]


@pytest.mark.parametrize("kind", ["flood", "chattering"])
def test_an_alert_is_assigned_by_few_of_the_onsets_in_its_window(kind: str) -> None:
    onsets = Watched(range(0, 20_000 * 2_000_000, 2_000_000))
    episode = Episode(0, 60 * SECOND)
    assign(
        onsets[-1],
        "low",
        RULES,
        stream=onsets,
        site=onsets,
        chattering=episode if kind == "chattering" else None,
        flood=episode if kind == "flood" else None,
    )
    assert onsets.reads < 500


def slow_end(rule: EpisodeRule, onsets: Sequence[int], since: int) -> int:
    """By the definition: the first onset that leaves the window after `since` and takes the count below the limit."""
    for leaves in sorted({onset + rule.window for onset in onsets if onset + rule.window > since}):
        if sum(leaves - rule.window < one <= leaves for one in onsets) < rule.end_count:
            return leaves
    return since


@given(st.lists(st.integers(0, 60), max_size=40), st.integers(0, 70), st.integers(1, 5))
def test_the_end_of_an_episode_is_that_of_its_definition(onsets: list[int], since: int, below: int) -> None:
    onsets.sort()
    rule = EpisodeRule("flood", 10, 6, below)
    assert end_of_episode(rule, onsets, since) == slow_end(rule, onsets, since)


@given(st.lists(st.integers(0, 200), max_size=60), st.integers(1, 5))
def test_all_episodes_are_those_found_from_the_onsets_one_by_one(onsets: list[int], below: int) -> None:
    onsets.sort()
    rule = EpisodeRule("flood", 10, 5, below)
    expected: list[Episode] = []
    for number, onset in enumerate(onsets, 1):
        until = slow_end(rule, [one for one in onsets[:number] if one > onset - 10], onset)
        if expected and expected[-1].contains(onset):
            expected[-1] = Episode(expected[-1].began, until)
        elif sum(one > onset - 10 for one in onsets[:number]) >= 5:
            expected.append(Episode(onset, until))
    assert episodes(rule, onsets) == expected


TABLES = (
    "select id, state, sent_as, sent_priority, counts, storm, held, due_ns from handling order by id",
    "select * from storms order by seq",
    "select alert_id, step, body from outbox order by seq",
    "select alert_id, event, from_state, to_state from history order by alert_id, seq",
)


def stored(scenario: AlertScenario) -> list[Any]:
    with scenario.store.read() as connection:
        return [[tuple(row) for row in connection.execute(text(query))] for query in TABLES]


alerts = st.tuples(
    st.integers(0, 2),
    st.sampled_from(("prying", "submerged")),
    st.sampled_from(("low", "medium", "medium", "high")),
    st.sampled_from((0, 1, 5, 20, 30, 60, 61, 149, 300, 600, 601, 3000)),
    st.booleans(),
)


@settings(max_examples=examples(12), deadline=None)
@given(st.lists(alerts, min_size=1, max_size=45), st.booleans())
@example(in_turn([30] * 14, high=range(1, 9)), False)  # a flood that high priority brings about
@example(in_turn([62] * 11 + [30] * 10, high=range(0)), False)  # one that begins after more was read
def test_one_step_for_all_alerts_or_one_for_each_make_no_difference(
    drawn: list[tuple[int, str, Any, int, bool]], shuffled: bool
) -> None:
    """Neither in what is sent, held and counted, nor in the history; late onsets among them too."""
    found = []
    onset = START - 3600 * SECOND
    for k, (hammer, fault, priority, gap_s, ends) in enumerate(drawn):
        onset += gap_s * SECOND + k
        alert = Alert(fault, SITE, f"HB-0{hammer + 1}", "op-14", priority, onset)
        alert.cleared = onset + SECOND if ends else None
        found.append(alert)
    if shuffled:
        found = found[1::2] + found[::2]
    results = []
    for together in (True, False):
        with TemporaryDirectory() as folder:
            scenario = AlertScenario(Path(folder))
            changes = [change for alert in found for change in steps(scenario, alert)]
            changes = [one for one in changes if one.step == "raised" or one.cleared is not None]
            if together:
                scenario.commit(*changes)
            else:
                for change in changes:
                    scenario.commit(change)
            results.append(stored(scenario))
            scenario.wait(3600.0)
            results[-1] += stored(scenario)
            scenario.close()
    assert results[0] == results[1]


def test_the_digests_of_a_large_flood_are_sent_in_portions(tmp_path: Path) -> None:
    """Each alert once, whatever number of transactions they take."""
    scenario = AlertScenario(tmp_path)
    number = MAX_DIGESTS * MAX_LISTED + 50
    scenario.commit(*(change for alert in chattering(number, 2_000_000) for change in steps(scenario, alert)))
    scenario.wait(3600.0)
    first = [body for step, body in scenario.sent() if step == "digest"]
    assert len(first) == MAX_DIGESTS
    scenario.wait(1.0)
    digests = [body for step, body in scenario.sent() if step == "digest"]
    listed = [one["id"] for body in digests for one in body["alerts"]]
    assert len(listed) == len(set(listed))
    assert [body["number"] for body in digests] == list(range(1, len(digests) + 1))
    alone = {body["id"] for step, body in scenario.sent() if step == "raised"}
    assert len(alone | set(listed)) == number
    assert json.dumps(digests[-1])
    scenario.close()
