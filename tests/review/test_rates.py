"""The tables of rates: counts, hours, comparisons and verdicts."""

import numpy as np
import pandas as pd
import pytest

from strikewatch.review import rates
from strikewatch.review.data.schemas import EXPOSURE, FAULTS, GROUPS, OPERATORS, SITES, UNASSIGNED, WEEKS
from strikewatch.review.statistics.verdicts import Settings

SITE = "fennick-hollow"
MONDAY = pd.Timestamp("2026-05-04T06:00Z")


def frames(
    *people: tuple[str, float, dict[str, int]], day: int = 0, site: str = SITE
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return frames from (operator, firing hours, faults by name): a row per hour of firing, faults spread over them.

    Operating is twice the firing, and three quarters of it could be judged.
    """
    exposure, faults = [], []
    for who, hours, counts in people:
        starts = [MONDAY + pd.Timedelta(days=day + i // 4, hours=i % 4) for i in range(int(np.ceil(hours)))]
        for i, start in enumerate(starts):
            firing_s = 3600 * min(1.0, hours - i)
            exposure.append(
                (
                    *(site, "HB-01", who, "moil", start, start + pd.Timedelta(hours=1)),
                    *(2 * firing_s, firing_s, 0.75 * firing_s, 10, np.nan, 0.0, np.nan),
                )
            )
        for fault, n in counts.items():
            for i in range(n):
                onset = starts[i % len(starts)] + pd.Timedelta(minutes=1, seconds=i)
                faults.append(
                    (
                        *(f"{who}{fault}{i}", fault, site, "HB-01", who, "moil", "medium", onset),
                        *(onset + pd.Timedelta(seconds=4), 1, 4.0, False, "Invented.", {}),
                    )
                )
    times = {"start": "datetime64[ns, UTC]", "end": "datetime64[ns, UTC]"}
    onsets = {"onset": "datetime64[ns, UTC]", "cleared": "datetime64[ns, UTC]"}
    return (
        pd.DataFrame(exposure, columns=list(EXPOSURE)).astype(times),
        pd.DataFrame(faults, columns=list(FAULTS)).astype(onsets),
    )


def row(table: pd.DataFrame, fault: str, **where: str) -> pd.Series:  # type: ignore[type-arg]
    chosen = table[table["fault"] == fault]
    for column, value in where.items():
        chosen = chosen[chosen[column] == value]
    (result,) = (chosen.iloc[i] for i in range(len(chosen)))
    return result


USUAL = [(f"op-{i}", 12.0, {"same_spot": 24}) for i in (11, 12, 13, 14)]


def test_each_fault_is_over_its_own_hours() -> None:
    """guide/faults.md, "Whose fault": firing hours; operating hours for greasing; firing judged for blank blows."""
    counts = {"same_spot": 8, "hot_oil": 2, "blank_firing": 3, "grease_overdue": 4}
    table = rates.operators(*frames(("op-11", 4.0, counts)))
    found = {fault: row(table, fault)[["over", "hours", "rate"]].tolist() for fault in counts}
    assert found == {
        "same_spot": ["firing", 4.0, 2.0],
        "hot_oil": ["firing", 4.0, 0.5],
        "blank_firing": ["judged", 3.0, 1.0],
        "grease_overdue": ["operating", 8.0, 0.5],
    }
    assert (table["judged_share"] == 0.75).all()
    assert row(table, "same_spot")["seconds"] == 32.0


def test_only_faults_of_operators_count() -> None:
    table = rates.operators(*frames(("op-11", 4.0, {"signal_lost": 5, "oil_heating": 2, "over_side": 1})))
    assert table["fault"].tolist() == ["same_spot", "hot_oil", "blank_firing", "grease_overdue", "over_side"]
    assert table["count"].sum() == 1


def test_a_share_of_another_operators_alert_adds_seconds_but_no_count() -> None:
    exposure, faults = frames(("op-11", 4.0, {"same_spot": 2}))
    part = faults.iloc[[0]].assign(operator="op-12", count=0, seconds=9.0)
    table = rates.operators(exposure, pd.concat([faults, part], ignore_index=True))
    op_12 = row(table, "same_spot", operator="op-12")
    assert (op_12["count"], op_12["seconds"], op_12["hours"]) == (0, 9.0, 0.0)
    assert np.isnan(op_12["rate"])
    assert op_12["standing"] == "little"


def test_unassigned_work_is_shown_but_never_compared() -> None:
    """Any unassigned work leaves the rows of all operators the same to the last bit."""
    without = rates.operators(*frames(*USUAL))
    table = rates.operators(*frames(*USUAL, (UNASSIGNED, 30.0, {"same_spot": 500})))
    nobody = row(table, "same_spot", operator=UNASSIGNED)
    assert (nobody["count"], nobody["standing"], nobody["verdict"], nobody["changed"]) == (500, "", "", "")
    assert nobody[["site_rate", "expected", "ratio", "p", "corrected", "shrunk", "funnel_upper"]].isna().all()
    pd.testing.assert_frame_equal(table[table["operator"] != UNASSIGNED], without)
    site = row(rates.sites(*frames(*USUAL, (UNASSIGNED, 30.0, {"same_spot": 500}))), "same_spot")
    assert (site["count"], site["operators"]) == (596, 4)


def test_an_operator_far_above_does_not_put_others_below() -> None:
    table = rates.operators(*frames(*USUAL, ("op-15", 10.0, {"same_spot": 90})))
    found = row(table, "same_spot", operator="op-15")
    assert found["standing"] == "above"
    assert found["verdict"].startswith("Above the others: 4.5 times their rate. Hardly chance")
    assert found["ratio"] == pytest.approx(4.5)
    assert found["corrected"] >= found["p"]
    others = table[(table["fault"] == "same_spot") & (table["operator"] != "op-15")]
    assert (others["standing"] == "within").all()
    assert others["ratio"].tolist() == pytest.approx([1.0] * 4)


def test_two_far_above_do_not_hide_each_other() -> None:
    bad = [(name, 10.0, {"same_spot": 90}) for name in ("op-15", "op-16")]
    table = rates.operators(*frames(*USUAL, *bad))
    found = table[table["fault"] == "same_spot"].set_index("operator")
    assert found["standing"].to_dict() == dict.fromkeys(["op-11", "op-12", "op-13", "op-14"], "within") | {
        "op-15": "above",
        "op-16": "above",
    }
    assert found.loc["op-15", "ratio"] == pytest.approx(4.5)


def test_an_operator_far_below_is_reported() -> None:
    table = rates.operators(*frames(*USUAL, ("op-15", 20.0, {"same_spot": 4})))
    assert row(table, "same_spot", operator="op-15")["standing"] == "below"


def test_little_work_is_too_little_to_judge_for_any_count() -> None:
    table = rates.operators(*frames(*USUAL, ("op-15", 0.5, {"same_spot": 9})))
    found = row(table, "same_spot", operator="op-15")
    assert found["standing"] == "little"
    assert found["verdict"] == (
        "Not enough data: only 1.0 faults expected in 30 min of firing. About 1 more firing hour would settle it."
    )
    assert 0.4 < found["settle_h"] <= 1.0
    assert np.isnan(found["p"])
    minutes = rates.operators(*frames(*USUAL, ("op-15", 0.1, {"same_spot": 40})))
    assert row(minutes, "same_spot", operator="op-15")["standing"] == "little"


def test_less_than_an_hour_is_judged_if_conclusive() -> None:
    """44 in 54 minutes, none in the four hours of the others."""
    people = [("op-11", 0.9, {"same_spot": 44}), ("op-12", 2.0, {}), ("op-13", 2.0, {})]
    table = rates.operators(*frames(*people))
    assert row(table, "same_spot", operator="op-11")["standing"] == "above"
    assert row(table, "same_spot", operator="op-12")["standing"] == "within"
    assert "stand out" in row(table, "same_spot", operator="op-12")["verdict"]


def test_many_hours_with_few_expected_faults_are_too_little() -> None:
    """Two at once, with one expected in a hundred hours, may be one bad minute."""
    people = [(f"op-{i}", 60.0, {"hot_oil": 1}) for i in range(11, 15)]
    table = rates.operators(*frames(*people, ("op-15", 2.0, {"hot_oil": 2})))
    found = row(table, "hot_oil", operator="op-15")
    assert found["standing"] == "little"
    assert found["verdict"].startswith("Not enough data: ")


def test_comparisons_with_too_little_data_count_in_the_correction() -> None:
    """All comparisons that are possible count in the correction."""
    few = [(f"op-{i}", 0.3, {}) for i in range(20, 40)]
    crowd = rates.operators(*frames(*USUAL, ("op-15", 10.0, {"same_spot": 45}), *few))
    found = row(crowd, "same_spot", operator="op-15")
    assert found["corrected"] >= 25 * found["p"] * 0.999


def test_limits_have_a_kind() -> None:
    """Exact, widened for clusters, or too wide to be useful, with the number of further hours needed."""
    exposure, faults = frames(*[(f"op-{i}", 40.0, {"same_spot": 80, "hot_oil": 1}) for i in range(11, 16)])
    even = rates.operators(exposure, faults)
    assert row(even, "same_spot", operator="op-11")["limits"] == "exact"
    assert (row(even, "hot_oil", operator="op-11")[["limits"]] == "little").all()
    assert 10 < row(even, "hot_oil", operator="op-11")["more_h"] < 30
    lumped = faults.assign(onset=faults["onset"].where(faults["onset"].dt.day % 5 == 0, MONDAY))
    lumpy = row(rates.operators(exposure, lumped), "same_spot", operator="op-11")
    assert (lumpy["limits"], lumpy["dispersion"] > 1.0) == ("widened", True)


def test_rare_faults_are_too_little_to_judge() -> None:
    """An hour and a half at 0.1 an hour: three times the rate would probably be missed."""
    people = [(f"op-{i}", 20.0, {"hot_oil": 2}) for i in range(11, 15)]
    table = rates.operators(*frames(*people, ("op-15", 1.5, {})))
    assert row(table, "hot_oil", operator="op-15")["standing"] == "little"
    assert row(table, "same_spot", operator="op-15")["verdict"] == "Like the others: nobody had any."


def test_alone_at_a_site_there_is_nobody_to_compare_with() -> None:
    table = rates.operators(*frames(("op-11", 12.0, {"same_spot": 30}), (UNASSIGNED, 12.0, {})))
    found = row(table, "same_spot", operator="op-11")
    assert found["standing"] == "little"
    assert "no other operator" in found["verdict"]
    assert found["shrunk"] == found["rate"] == 2.5


def test_a_significant_but_small_difference_is_not_reported() -> None:
    people = [(f"op-{i}", 150.0, {"same_spot": 3000}) for i in (11, 12, 13)]
    table = rates.operators(*frames(*people, ("op-14", 150.0, {"same_spot": 3500})))
    found = row(table, "same_spot", operator="op-14")
    assert found["corrected"] < 0.001
    assert found["standing"] == "within"
    assert "too little to matter" in found["verdict"]
    closer = rates.operators(
        *frames(*people, ("op-14", 150.0, {"same_spot": 3500})), settings=Settings(least_ratio=1.1)
    )
    assert row(closer, "same_spot", operator="op-14")["standing"] == "above"


def test_sites_are_compared_within_themselves() -> None:
    here, there = (
        frames(*USUAL),
        frames(*[(w, h, {"same_spot": 120}) for w, h, _ in USUAL], site="upper-bench"),
    )
    both = [pd.concat(pair, ignore_index=True) for pair in zip(here, there, strict=True)]
    table = rates.operators(*both)
    assert (table["standing"] != "above").all()
    pd.testing.assert_frame_equal(
        table[table["site"] == SITE].reset_index(drop=True), rates.operators(*here), check_dtype=False
    )


def test_the_order_of_rows_does_not_matter() -> None:
    exposure, faults = frames(*USUAL, ("op-15", 10.0, {"same_spot": 50, "hot_oil": 3}))
    turned = rates.operators(exposure[::-1].reset_index(drop=True), faults[::-1].reset_index(drop=True))
    pd.testing.assert_frame_equal(turned, rates.operators(exposure, faults))


def test_changes_are_relative_to_the_previous_period() -> None:
    before = frames(
        ("op-11", 12.0, {"same_spot": 60}), ("op-12", 12.0, {"same_spot": 24}), ("op-13", 12.0, {})
    )
    now = frames(
        ("op-11", 12.0, {"same_spot": 20}), ("op-12", 12.0, {"same_spot": 25}), ("op-14", 9.0, {}), day=14
    )
    table = rates.operators(*now, before=before)
    better = row(table, "same_spot", operator="op-11")
    assert (better["before_count"], better["before_hours"], better["changed"]) == (60, 12.0, "fewer")
    assert better["change"] == pytest.approx(1 / 3)
    assert better["change_lower"] < 1 / 3 < better["change_upper"] < 1
    assert better["change_corrected"] >= better["change_p"]
    assert row(table, "same_spot", operator="op-12")["changed"] == "same"
    newcomer = row(table, "same_spot", operator="op-14")
    assert (newcomer["changed"], newcomer["change_words"]) == ("", "")
    assert set(table["operator"]) == {"op-11", "op-12", "op-14"}
    site = row(rates.sites(*now, before=before), "same_spot")
    assert site["changed"] == "fewer"


def test_clusters_widen_the_limits() -> None:
    """All faults of a day within one of its hours: the limits are wider than for the same count spread evenly."""
    exposure, faults = frames(*[(f"op-{i}", 40.0, {"same_spot": 80}) for i in range(11, 16)])
    even = row(rates.sites(exposure, faults), "same_spot")
    lumped = faults.assign(onset=faults["onset"].where(faults["onset"].dt.day % 5 == 0, MONDAY))
    lumpy = row(rates.sites(exposure, lumped), "same_spot")
    assert (even["dispersion"], even["dispersion_p"] > 0.5) == (1.0, True)
    assert lumpy["dispersion"] > 5
    assert lumpy["dispersion_p"] < 1e-6
    assert even["dispersion_words"] == "Faults occur independently (Poisson distribution)."
    assert lumpy["dispersion_words"].startswith("Faults occur in clusters")
    assert lumpy["upper"] > even["upper"]


def test_weeks_begin_on_monday_in_the_sites_time() -> None:
    exposure, faults = frames(("op-11", 4.0, {"same_spot": 4}))
    late = exposure.assign(start=pd.Timestamp("2026-05-10T23:30Z"), end=pd.Timestamp("2026-05-11T00:30Z"))
    faults = faults.assign(onset=pd.Timestamp("2026-05-10T23:40Z"))
    assert set(rates.weeks(late, faults)["week"]) == {"2026-05-04"}
    assert set(rates.weeks(late, faults, zone="Europe/Dublin")["week"]) == {"2026-05-11"}


def test_a_week_beyond_the_limits_signals() -> None:
    calm = [frames(("op-11", 20.0, {"same_spot": 20}), day=7 * week) for week in range(6)]
    bad = frames(("op-11", 20.0, {"same_spot": 70}), day=42)
    exposure, faults = (pd.concat(part, ignore_index=True) for part in zip(*calm, bad, strict=True))
    found = rates.weeks(exposure, faults)
    found = found[found["fault"] == "same_spot"]
    assert found["signal"].tolist() == [False] * 6 + [True]
    assert found["centre"].iloc[0] == pytest.approx(190 / 140)
    assert UNASSIGNED not in set(rates.weeks(exposure.assign(operator=UNASSIGNED), faults)["operator"])


def test_groups_include_unassigned_work() -> None:
    exposure, faults = frames(*USUAL, (UNASSIGNED, 2.0, {"same_spot": 7}))
    found = row(rates.groups(exposure, faults, ["site", "hammer"]), "same_spot")
    assert (found["hammer"], found["count"], found["hours"]) == ("HB-01", 103, 50.0)
    assert found["lower"] < found["rate"] < found["upper"]


def test_empty_frames_give_empty_tables() -> None:
    empty = frames()
    assert rates.operators(*empty, before=empty).columns.tolist() == list(OPERATORS)
    assert rates.sites(*empty).columns.tolist() == list(SITES)
    assert rates.weeks(*empty).columns.tolist() == list(WEEKS)
    assert rates.groups(*empty, ["site", "tool"]).columns.tolist() == ["site", "tool", "fault", *GROUPS]
    assert len(rates.operators(*empty)) == 0


def test_no_firing_is_reported() -> None:
    exposure, faults = frames(*USUAL)
    idle = exposure.iloc[[0]].assign(operator="op-15", firing_s=0.0, judged_s=0.0)
    table = rates.operators(pd.concat([exposure, idle], ignore_index=True), faults)
    assert row(table, "same_spot", operator="op-15")["verdict"] == "Not enough data: no firing."
    assert row(table, "blank_firing", operator="op-15")["verdict"].endswith("no firing that could be judged.")
