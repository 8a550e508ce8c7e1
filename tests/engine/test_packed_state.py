"""Hammers' states in memory: packed without loss, small, and the same whatever hammers share a step."""

import sys
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.batch import Batch, Key, Portion, Rows
from strikewatch.core.instant import SECOND
from strikewatch.engine.packed_state import NOT_SEEN, Workspace, integer, pack, position, unpack
from strikewatch.engine.pipeline import UNPACKED_AT_ONCE, Pipeline
from strikewatch.engine.state import STATE, fresh
from strikewatch.settings.faults import Faults

START = 1_772_608_500 * SECOND
WORDS = STATE.itemsize // 8
SETTINGS = Faults().by_detector()
Words = dict[int, int]
"""Some words of a state that differ from a fresh one, by position."""

some_words = st.dictionaries(
    st.integers(0, WORDS - 1) | st.sampled_from([0, 63, 64, WORDS - 1]), st.integers(0, (1 << 64) - 1)
)


def state_with(words: Words) -> Any:
    """Return a state that differs from a fresh one: STATE [1]."""
    state = np.frombuffer(fresh(), np.uint64).copy()
    for k, word in words.items():
        state[k] = word
    return np.frombuffer(state, STATE)


def hammers_at_work(n: int) -> list[Portion]:
    """Return a minute of n hammers, each with another pressure and oil temperature."""
    time_ns = START + np.arange(600) * SECOND // 10
    return [
        Portion(
            ("site", f"HB-{k:03d}"),
            Rows(
                time_ns,
                {
                    "active": (np.arange(600) % 300 > 20 + k % 7).astype(float),
                    "pressure_bar": np.full(600, 130.0 + k % 40),
                    "oil_c": np.full(600, 70.0 + k % 30),
                },
            ),
            int(time_ns[-1]),
        )
        for k in range(n)
    ]


@given(st.lists(some_words, min_size=1, max_size=4))
def test_unpacking_gives_back_what_was_packed(hammers: list[Words]) -> None:
    """To the bit, for any states in one call; so equal states are equal bytes."""
    states = [state_with(words) for words in hammers]
    packed = Workspace(4).pack(np.frombuffer(bytearray(b"".join(map(bytes, states))), STATE))
    assert unpack(packed).tobytes() == b"".join(map(bytes, states))
    assert packed == [pack(state) for state in states]


@given(some_words, st.integers(0, WORDS - 1))
def test_one_integer_is_read_without_unpacking(words: Words, at: int) -> None:
    state = state_with(words)
    assert integer(pack(state), at) == np.frombuffer(state, np.int64)[at]


def test_a_hammer_not_seen_is_packed_into_the_bits_alone() -> None:
    assert pack(fresh()) == NOT_SEEN
    assert unpack([NOT_SEEN]).tobytes() == fresh().tobytes()
    assert integer(NOT_SEEN, position("reading", "upto")) == fresh()["reading"]["upto"][0]


def test_more_hammers_than_are_unpacked_at_once_give_what_each_gives_alone() -> None:
    """Findings, measurements, states and their order; each finding and measurement is of the right hammer."""
    portions = hammers_at_work(2 * UNPACKED_AT_ONCE + 3)
    together, alone = Pipeline(lambda _: SETTINGS), Pipeline(lambda _: SETTINGS)
    whole = together.step(Batch(portions), report=True)
    parts = {portion.key: alone.step(Batch([portion]), report=True) for portion in portions}
    assert whole.keys == tuple(parts)
    assert len(whole.findings) > len(portions)
    by_hammer: dict[Key, list[object]] = {key: [] for key in parts}
    for finding in whole.findings:
        by_hammer[finding.key].append(finding)
    assert by_hammer == {key: part.findings for key, part in parts.items()}
    assert whole.saved() == {key: part.saved()[key] for key, part in parts.items()}
    bouts = [repr(bout) for part in parts.values() for bout in part.bouts()]
    assert sorted(map(repr, whole.bouts())) == sorted(bouts) != []
    assert [f.at for f in whole.findings] == sorted(f.at for f in whole.findings)


def test_hammers_with_equal_settings_share_their_parameters() -> None:
    """Also where each has settings objects of its own; one with other settings has its own, and keeps them."""
    other = Faults.model_validate({"same_spot": {"limit_s": 9.0}}).by_detector()
    pipeline = Pipeline(lambda key: other if key[1] == "HB-02" else Faults().by_detector())
    for k in range(1, 6):
        pipeline.declare_channels(("site", f"HB-0{k}"), ["engine_rpm"])
        pipeline.horizon(("site", f"HB-0{k}"))
    profiles = [pipeline._profile(("site", f"HB-0{k}")) for k in range(1, 6)]
    assert [profile.slot for profile in profiles] == [0, 1, 0, 0, 0]
    assert pipeline.settings(("site", "HB-02")) == other
    pipeline.configure(("site", "HB-02"), SETTINGS)
    assert pipeline._profile(("site", "HB-02")).slot == 0


def test_a_hammer_on_a_bare_feed_takes_less_than_2_kb() -> None:
    """Its state with Python's overhead; as a record it has 10 kB, most of it room for what has not come."""
    pipeline = Pipeline(lambda _: SETTINGS)
    (portion,) = hammers_at_work(1)
    pipeline.commit(pipeline.step(Batch([portion])))
    assert sys.getsizeof(pipeline.packed(portion.key)) < 2000 < 10_000 < STATE.itemsize
