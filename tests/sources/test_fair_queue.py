"""The order in which waiting messages are taken, and in which they are acknowledged."""

from random import Random

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND
from strikewatch.sources.decode import topic
from strikewatch.sources.mqtt.fair_queue import (
    CURRENT_FOR_S,
    HEAVIEST_CURRENT,
    SHORT_STEP,
    WEIGHT_BYTES,
    FairQueue,
    Message,
)
from strikewatch.sources.mqtt.inbox import Inbox
from strikewatch.sources.ordering import Reorderer
from tests.profiles import examples

HAMMERS = ("HB-01", "HB-02", "HB-03")


def queue() -> FairQueue:
    return FairQueue(lambda name: topic.machine(name, "strikewatch"))


def step_limit(fair: FairQueue, now_s: float) -> int:
    """Return the weight of a step that may have 250."""
    return fair.step_limit(250, expects_current=fair.expects_current(now_s))


def message(number: int, hammer: str, kind: str = "samples", payload: bytes = b"") -> Message:
    return Message(f"strikewatch/pit/{hammer}/{kind}", payload, number, number, 1, 1, False)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(HAMMERS),
            st.sampled_from(("samples", "events")),
            st.integers(0, 3 * WEIGHT_BYTES),
        )
        | st.integers(1, 9),
        max_size=80,
    ),
    st.randoms(use_true_random=False),
)
def test_nothing_is_lost_and_order_is_kept_within_a_hammer_and_for_acknowledgements(
    script: list[tuple[str, str, int] | int], dice: Random
) -> None:
    """Messages come and are taken in any interleaving, and are done with in any order."""
    fair = queue()
    came: list[Message] = []
    taken: list[Message] = []
    open_: list[Message] = []
    acknowledged: list[int] = []
    for one in [*script, *[5] * len(script)]:
        if isinstance(one, int):
            waiting = len(fair)
            more = fair.take(one)
            assert bool(more) == bool(waiting)
            assert len(more) + len(fair) == waiting
            taken += more
            open_ += more
            dice.shuffle(open_)
            done, open_ = open_[: len(open_) // 2], open_[len(open_) // 2 :]
            acknowledged += [mid for _, mid in fair.done(done)]
        else:
            hammer, kind, size = one
            came.append(message(len(came), hammer, kind, bytes(size)))
            fair.put([came[-1]])
    acknowledged += [mid for _, mid in fair.done(open_)]
    assert acknowledged == [one.mid for one in came]
    for hammer in HAMMERS:
        assert [one for one in taken if f"/{hammer}/" in one.topic] == [
            one for one in came if f"/{hammer}/" in one.topic
        ]


@given(st.integers(1, 5000), st.integers(3, 300))
def test_a_backlog_of_one_hammer_delays_no_other(hours: int, limit: int) -> None:
    """What others have just sent is in the very next step, whatever waits; the rest of the step is filled."""
    fair = queue()
    for number in range(hours):
        fair.put([message(number, "HB-99")])
    for number, hammer in enumerate(HAMMERS[:2]):
        fair.put([message(hours + number, hammer)])
    taken = fair.take(limit)
    assert {f"strikewatch/pit/{hammer}/samples" for hammer in HAMMERS[:2]} <= {one.topic for one in taken}
    assert len(taken) == min(limit, hours + 2)
    assert fair.done(one for one in taken if one.mid >= hours) == [], "the older ones are not done with"


def test_with_more_hammers_than_fit_into_a_step_each_gets_its_turn() -> None:
    fair = queue()
    for number in range(100):
        fair.put([message(number, f"HB-{number % 10}")])
    turns = [{one.topic for one in fair.take(4)} for _ in range(5)]
    assert len(set.union(*turns)) == 10
    assert all(len(turn) == 4 for turn in turns)


def test_large_messages_weigh_more() -> None:
    """A step is bounded by what is in it; one message larger than a step makes one by itself."""
    fair = queue()
    for number in range(6):
        fair.put([message(number, "HB-01", payload=bytes(4 * WEIGHT_BYTES))])
    assert [len(fair.take(10)) for _ in range(3)] == [2, 2, 2]
    fair.put([message(6, "HB-01", payload=bytes(100 * WEIGHT_BYTES))])
    assert len(fair.take(10)) == 1


def test_steps_are_short_while_others_send_beside_a_backlog() -> None:
    fair = queue()
    assert step_limit(fair, 0.0) == 250
    fair.put([message(number, "HB-99") for number in range(HEAVIEST_CURRENT + 1)])
    assert step_limit(fair, 1.0) == 250, "nobody else sends"
    fair.put([message(100, "HB-01")])
    assert step_limit(fair, 2.0) == SHORT_STEP
    assert [one.mid for one in fair.take(10, heaviest=HEAVIEST_CURRENT)] == [100]
    assert step_limit(fair, 2.0 + CURRENT_FOR_S / 2) == SHORT_STEP
    assert step_limit(fair, 2.1 + CURRENT_FOR_S) == 250
    fair.take(1)
    fair.put([message(101, "HB-01")])
    assert step_limit(fair, 3.0) == 250, "no backlog waits"


def test_the_first_messages_of_a_backlog_make_no_step_short() -> None:
    """The backlogs of several gateways begin with few messages of each, which are no sign of current ones."""
    fair = queue()
    fair.put([message(number, hammer) for number, hammer in enumerate(HAMMERS)])
    assert step_limit(fair, 1.0) == 250
    fair.put([message(number, hammer) for hammer in HAMMERS for number in range(HEAVIEST_CURRENT)])
    assert not fair.expects_current(1.01)
    assert step_limit(fair, 1.02) == 250
    fair.put([message(100, "HB-04")])
    assert step_limit(fair, 1.03) == SHORT_STEP


@given(
    st.lists(st.tuples(st.sampled_from(HAMMERS), st.integers(0, 2 * WEIGHT_BYTES)), max_size=80),
    st.integers(0, 30),
    st.integers(1, 100),
)
def test_backlogs_wait_where_only_current_messages_are_taken(
    came: list[tuple[str, int]], heaviest: int, limit: int
) -> None:
    """And what waited comes whole and in order afterwards."""
    fair = queue()
    messages = [message(number, hammer, payload=bytes(size)) for number, (hammer, size) in enumerate(came)]
    for one in messages:
        fair.put([one])
    weights = {
        hammer: sum(1 + size // WEIGHT_BYTES for one, size in came if one == hammer) for hammer in HAMMERS
    }
    first = fair.take(limit, heaviest=heaviest)
    assert all(weights[one.topic.split("/")[2]] <= heaviest for one in first)
    assert bool(first) == any(0 < weight <= heaviest for weight in weights.values())
    rest = fair.take(10**9)
    for hammer in HAMMERS:
        of = f"/{hammer}/"
        assert [one for one in [*first, *rest] if of in one.topic] == [
            one for one in messages if of in one.topic
        ]


@settings(max_examples=examples(25))
@given(st.integers(3, 60), st.integers(0, 60))
def test_a_backlog_of_a_machine_with_many_topics_comes_in_order(limit: int, others: int) -> None:
    """A topic a tag, one level below the hammer's: no value is late, however many messages a step takes."""
    tags = {"Active": "active", "Press": "pressure_bar", "Oil": "oil_c"}
    fair = queue()
    start, step = 1_780_000_000 * SECOND, SECOND // 10
    sent = [(start + k * step, tag) for k in range(60) for tag in tags]
    for number, (at, tag) in enumerate(sent):
        if number < others:
            fair.put([message(number, "HB-02")])
        fair.put([Message(f"strikewatch/pit/EX21/{tag}/value", b"", at, number, 1, 1, False)])
    key, reorderer = ("pit", "EX21"), Reorderer("gap")
    while taken := fair.take(limit):
        for one in taken:
            if "/EX21/" in one.topic:
                channel = tags[one.topic.split("/")[3]]
                reorderer.add_rows(key, Rows(np.array([one.received_ns], np.int64), {channel: np.ones(1)}))
    reorderer.flush(key)
    counts = reorderer.counts()[key]
    assert (counts.used, counts.merged, counts.late, counts.duplicate) == (60, 120, 0, 0)


def test_the_machine_of_a_topic_is_its_site_and_hammer() -> None:
    assert topic.machine("strikewatch/pit/HB-01/samples", "strikewatch") == "strikewatch/pit/HB-01"
    assert topic.machine("a/b/pit/HB-01/Press/value", "a/b") == "a/b/pit/HB-01"
    assert topic.machine("other", "strikewatch") == "other"


def test_messages_that_were_put_back_come_again_before_later_ones_of_their_machine() -> None:
    queue = FairQueue(lambda topic: topic)
    messages = [Message("a" if n % 2 else "b", b"", 0, n, 1, 1, False) for n in range(8)]
    for message in messages:
        queue.put([message])
    first = queue.take(6)
    kept = [message for message in first if message.mid != 0]
    queue.put_back(kept)
    assert len(queue) == 7
    again = queue.take(10)
    for name in "ab":
        expected = [one.mid for one in messages if one.topic == name and one.mid != 0]
        assert [one.mid for one in again if one.topic == name] == expected
    assert queue.done([messages[0], *again]) == [(1, n) for n in range(8)]


def test_a_backlog_waits_until_it_has_arrived_only_while_others_send() -> None:
    inbox = Inbox(lambda name: topic.machine(name, "strikewatch"), 1000, 1 << 20, lambda: None)
    backlog = [message(number, "HB-99") for number in range(2 * HEAVIEST_CURRENT)]
    inbox.put(backlog)
    assert len(inbox.take(1000)) == len(backlog), "nobody else sends, so waiting would serve nobody"
    inbox.put([*backlog, message(100, "HB-01")])
    assert [one.mid for one in inbox.take(1000)] == [100]
    assert len(inbox.take(1000)) == len(backlog), "nothing more arrives"
