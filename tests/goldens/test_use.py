"""What hammers went through, by their feeds, is what they truly went through, by the labels."""

from collections import defaultdict

import pytest

from strikewatch.service.inputs.hammers import usage_of_replay
from strikewatch.service.replay import replay_shifts
from strikewatch.settings.tree import load
from strikewatch.sources.recordings import open_shifts
from tests.goldens.bless import SETTINGS, SHIFTS
from tests.goldens.test_goldens import labels
from tests.goldens.test_misuse import SECONDS, SLACK_S

HOT_SHARE = 0.15
"""Hot begins 5 s after the oil was above 80 °C, and ends at 78 °C; the labels say when it was above 80 °C."""


@pytest.mark.parametrize("name", ["full-bench", "pad-handover"])
def test_the_account_is_that_of_the_labels(name: str) -> None:
    own = SHIFTS / name / SETTINGS
    settings = load(own if own.exists() else None)
    result = replay_shifts(open_shifts(SHIFTS / name), settings.of_hammer)
    table = usage_of_replay(result, settings, 0, result.end + 1)
    truth: dict[tuple[str, str], list[float]] = defaultdict(list)
    for fault, (_, limit_s) in SECONDS.items():
        for label, _ in labels(name, fault):
            truth[label["hammer"], f"{fault}_s"] += [label["s"]] if label["s"] >= limit_s else []
    for label, _ in labels(name, "linger"):
        truth[label["hammer"], "spot_beyond_s"].append(label["firing_s"] - 15.0)
    hot: dict[str, float] = defaultdict(float)
    for label, _ in labels(name, "hot"):
        hot[label["hammer"]] += label["firing_s"]
    compared = 0
    for row in table[table["not_known"] == ""].itertuples():
        if row.measure == "spot_beyond_s" or row.measure.removesuffix("_s") in SECONDS:
            really = truth[row.hammer, row.measure]
            assert row.amount == pytest.approx(sum(really), abs=SLACK_S * len(really)), row
            compared += bool(really)
        if row.measure == "hot_firing_s" and hot[row.hammer] > 60:
            assert row.amount == pytest.approx(hot[row.hammer], rel=HOT_SHARE), row
            compared += 1
    # Of a feed without the sensors of misuse it says so, and compares no zeros.
    assert compared == {"full-bench": 6, "pad-handover": 3}[name]
    unknown = set(table.loc[table["not_known"] != "", "measure"])
    assert ("prying_s" in unknown) == (name == "pad-handover")
