"""Coaching and what came of it: the times compared, the verdict, control limits, and rates of false verdicts."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.events import Event
from strikewatch.review import rates
from strikewatch.review.data.schemas import UNASSIGNED
from strikewatch.review.progress import COACHED, EFFECTS, SPAN, coached_frame, effects
from strikewatch.review.statistics.comparisons import Counted, relative_change
from strikewatch.review.statistics.poisson import compare_rates
from strikewatch.review.statistics.verdicts import Settings
from tests.review.test_rates import MONDAY, SITE, frames

DAY = pd.Timedelta(days=1)
TALK_DAY = 28
END = int((MONDAY + 56 * DAY).as_unit("ns").value)
OTHERS = ("op-11", "op-12", "op-13")


def talk(day: float = TALK_DAY, operator: str = "op-14", fault: str = "same_spot") -> Event:
    at = int((MONDAY + day * DAY).as_unit("ns").value)
    return Event(SITE, "HB-01", "coached", at, {"operator": operator, "fault": fault})


def two_months(
    before: tuple[float, int], after: tuple[float, int], others: tuple[int, int] = (40, 40)
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return frames of op-14 with (hours, faults) before and after day 28, and of three others over 20 h each time."""
    parts = [
        frames(
            ("op-14", hours, {"same_spot": n}), *((who, 20.0, {"same_spot": m}) for who in OTHERS), day=day
        )
        for day, (hours, n), m in ((0, before, others[0]), (TALK_DAY, after, others[1]))
    ]
    return tuple(pd.concat(each, ignore_index=True) for each in zip(*parts, strict=True))  # type: ignore[return-value]


def effect(frames_: tuple[pd.DataFrame, pd.DataFrame], *talks: Event, end: int = END) -> "pd.Series":  # type: ignore[type-arg]
    found = effects(*frames_, coached_frame(talks or [talk()]), end, Settings())
    return found.iloc[0]


def test_a_lower_rate_after_the_talk_is_reported_with_its_exact_limits() -> None:
    found = effect(two_months((20.0, 80), (20.0, 20)))
    assert (found["before_count"], found["before_hours"], found["count"], found["hours"]) == (
        80,
        20.0,
        20,
        20.0,
    )
    expected = compare_rates(20, 20.0, 80, 20.0)
    assert (found["ratio"], found["ratio_lower"], found["ratio_upper"]) == pytest.approx(
        (0.25, expected.lower, expected.upper)
    )
    assert found["changed"] == "fewer"
    assert found["words"] == (
        f"Fewer since the talk: 1 an hour instead of 4 (0.2 times, 95 % {expected.lower:.1f} to {expected.upper:.1f}). "
        "The others did not improve as much: coaching probably helped."
    )


def test_a_change_that_all_share_is_not_put_down_to_the_talk() -> None:
    found = effect(two_months((20.0, 80), (20.0, 20), others=(80, 20)))
    assert found["changed"] == "fewer"
    assert found["relative"] == pytest.approx(1.0)
    assert "it may be the work rather than the talk" in found["words"]


def test_others_who_were_coached_as_well_are_not_compared_with() -> None:
    talks = talk(), *(talk(TALK_DAY, who) for who in OTHERS)
    found = effects(*two_months((20.0, 80), (20.0, 20)), coached_frame(talks), END, Settings())
    own = found[found["operator"] == "op-14"].iloc[0]
    assert math.isnan(own["relative"])
    assert "Too little work by others" in own["words"]


def test_with_little_work_since_the_talk_it_is_said_how_much_would_settle_it() -> None:
    found = effect(two_months((20.0, 80), (0.4, 0)))
    assert found["changed"] == "little"
    assert found["words"].startswith("Not enough data: only 24 min of firing since the talk. About ")
    assert found["words"].endswith(" would settle it.")
    assert 0 < found["settle_h"] < 10
    again = effect(two_months((20.0, 80), (0.4 + found["settle_h"], round(4 * (0.4 + found["settle_h"])))))
    assert again["changed"] == "same"


def test_with_few_faults_more_hours_are_not_asked_for() -> None:
    found = effect(two_months((20.0, 1), (20.0, 0), others=(1, 1)))
    assert found["words"] == "Not enough data: too few faults before and since the talk to compare."
    assert math.isnan(found["settle_h"])


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ((20.0, 40), (20.0, 40), "No clear change: 2 an hour instead of 2 (1.0 times"),
        ((20.0, 20), (20.0, 80), "More since the talk: 4 an hour instead of 1 (4.0 times"),
        ((20.0, 0), (20.0, 0), "None before and none since."),
        ((20.0, 80), (20.0, 0), "Fewer since the talk: 0 an hour instead of 4 (0.00 times"),
    ],
)
def test_every_verdict(before: tuple[float, int], after: tuple[float, int], words: str) -> None:
    assert effect(two_months(before, after))["words"].startswith(words)


def test_without_work_before_or_after_nothing_is_concluded() -> None:
    data = two_months((20.0, 80), (20.0, 20))
    assert effect(data, talk(-10))["words"] == "Not enough data: no firing before the talk."
    late = effect(data, talk(55.9))
    assert (late["changed"], late["count"]) == ("little", 0)
    assert effects(*data, coached_frame([talk(60)]), END, Settings()).empty


def test_the_times_compared_end_at_other_talks_on_the_same_fault() -> None:
    data = two_months((20.0, 80), (20.0, 20))
    talks = [talk(2), talk(), talk(30), talk(29, fault="hot_oil"), talk(27, "op-11")]
    found = effects(*data, coached_frame(talks), END, Settings())
    own = found[(found["operator"] == "op-14") & (found["fault"] == "same_spot")]
    assert ((own["begin"] - MONDAY) / DAY).tolist() == [2 - SPAN / DAY.value, 2, 28]
    assert ((own["end"] - MONDAY) / DAY).tolist() == [28, 30, 56]


def test_talks_are_read_from_events_once_each() -> None:
    grease = Event(SITE, "HB-01", "grease", 5, {"strokes": [12]})
    again = Event(SITE, "HB-02", "coached", talk().time, talk().fields)
    frame = coached_frame([talk(), grease, again, talk(29)])
    assert (tuple(frame.columns), len(frame)) == (COACHED, 2)
    empty = coached_frame([])
    assert (tuple(empty.columns), len(empty), str(empty["time"].dt.tz)) == (COACHED, 0, "UTC")
    assert effects(*two_months((20.0, 80), (20.0, 20)), empty, END, Settings()).columns.tolist() == list(
        EFFECTS
    )


def test_control_limits_are_those_of_the_weeks_before_the_talk() -> None:
    """A lasting change then leaves the limits; without a talk, or with fewer than three weeks before it, all count."""
    parts = [
        frames(("op-14", 20.0, {"same_spot": n}), day=7 * w) for w, n in enumerate((60, 60, 60, 60, 20, 20))
    ]
    exposure, faults = (pd.concat(each, ignore_index=True) for each in zip(*parts, strict=True))

    def weeks(day: int) -> pd.DataFrame:
        table = rates.weeks(exposure, faults, coached=coached_frame([talk(day)]))
        return table[table["fault"] == "same_spot"]

    coached, plain = weeks(28), weeks(20)
    assert coached["centre"].tolist() == pytest.approx([3.0] * 6)
    assert coached["signal"].tolist() == [False] * 4 + [True] * 2
    assert coached["baseline"].tolist() == [True] * 4 + [False] * 2
    assert plain["centre"].tolist() == pytest.approx([280 / 120] * 6)
    assert plain["baseline"].all()


def test_a_talk_without_effect_is_seldom_said_to_have_one() -> None:
    """In at most 5 % of reviews with four talks, though two operators really differ (3.8 standard deviations)."""
    random = np.random.default_rng(3)
    wrong = 0
    reviews = 200
    for _ in range(reviews):
        ps = []
        for rate in (1.0, 1.0, 3.0, 3.0):
            before, after = random.poisson(rate * 20), random.poisson(rate * 15)
            ps.append(compare_rates(after, 15.0, before, 20.0).p)
        wrong += min(ps) * 4 < 0.05
    assert wrong <= reviews * 0.05 + 3.8 * math.sqrt(reviews * 0.05 * 0.95)


@given(st.lists(st.integers(0, 40), min_size=4, max_size=4), st.floats(1.0, 20.0), st.floats(1.0, 4.0))
def test_limits_against_others_are_in_order_and_wider_with_clusters(
    counts: list[int], hours: float, dispersion: float
) -> None:
    given_counts = [Counted(n, h) for n, h in zip(counts, (hours, 3.0, 20.0, 30.0), strict=True)]
    exact = relative_change(*given_counts)
    widened = relative_change(*given_counts, dispersion=dispersion)
    assert 0 <= exact.lower <= exact.upper
    if exact.ratio == exact.ratio:
        assert exact.lower * (1 - 1e-9) <= exact.ratio <= exact.upper * (1 + 1e-9)
        assert widened.lower <= exact.lower * (1 + 1e-9)
        assert widened.upper >= exact.upper * (1 - 1e-9)


def test_unassigned_work_is_not_that_of_others() -> None:
    exposure, faults = two_months((20.0, 80), (20.0, 20))
    nobody = exposure.assign(operator=exposure["operator"].replace(dict.fromkeys(OTHERS, UNASSIGNED)))
    found = effects(nobody, faults[faults["operator"] == "op-14"], coached_frame([talk()]), END, Settings())
    assert math.isnan(found["others_ratio"].iloc[0])
