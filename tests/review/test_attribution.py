"""Attribution to operators: handover during an alert, breaks, nobody signed on."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

from strikewatch.core import instant
from strikewatch.core.instant import SECOND
from strikewatch.core.stretch import AttributedStretch, Stretch
from strikewatch.review.data.attribution import Attribution, BoutTotals
from strikewatch.review.data.schemas import EXPOSURE, FAULTS

KEY = ("fennick-hollow", "HB-01")
START = 1_772_600_400 * SECOND
"""A whole hour."""


def at(minutes: float) -> int:
    return START + round(minutes * 60) * SECOND


def stretch(begin: float, end: float, operator: str | None, tool: str | None = "moil") -> AttributedStretch:
    lasted = float(at(end) - at(begin))
    return AttributedStretch(Stretch(KEY, at(begin), at(end), lasted, lasted / 4), operator, tool)


def alert(onset: float, cleared: float | None, operator: str | None, **more: Any) -> dict[str, Any]:
    record = {
        "id": f"{onset:g}",
        "fault": "grease_overdue",
        "site": KEY[0],
        "hammer": KEY[1],
        "operator": operator,
        "priority": "medium",
        "onset": instant.text(at(onset)),
        "cleared": None if cleared is None else instant.text(at(cleared)),
        "historic": False,
        "summary": "",
        "evidence": {},
    }
    return record | more


def shares(
    stretches: list[AttributedStretch], record: dict[str, Any], end: float = 10_000
) -> dict[str, tuple[int, float]]:
    frame = Attribution(stretches).faults([record], at(end))
    return {row.operator: (row.count_, row.minutes) for row in _rows(frame)}


def _rows(frame: pd.DataFrame) -> Any:
    return frame.assign(minutes=frame["seconds"] / 60, count_=frame["count"]).itertuples()


def test_a_handover_during_an_alert_divides_its_time_but_not_its_count() -> None:
    stretches = [stretch(0, 60, "op-11"), stretch(62, 120, "op-12")]
    assert shares(stretches, alert(50, 100, "op-11")) == {"op-11": (1, 12.0), "op-12": (0, 38.0)}


def test_a_break_belongs_to_the_operator_before_it_and_a_night_to_nobody() -> None:
    stretches = [stretch(0, 60, "op-11"), stretch(90, 120, "op-11"), stretch(900, 960, "op-12")]
    found = shares(stretches, alert(50, 905, "op-11"))
    assert found == {"op-11": (1, 70.0), "unassigned": (0, 780.0), "op-12": (0, 5.0)}


def test_an_active_alert_counts_for_the_operator_until_an_hour_after_the_last_work() -> None:
    stretches = [stretch(0, 60, "op-11")]
    frame = Attribution(stretches).faults([alert(50, None, "op-11")], at(200))
    assert frame["cleared"].isna().all()
    assert dict(zip(frame["operator"], frame["seconds"] / 60, strict=True)) == {
        "op-11": 70.0,
        "unassigned": 80.0,
    }


def test_unassigned_work_does_not_count_for_the_previous_operator() -> None:
    stretches = [stretch(0, 60, "op-11"), stretch(60, 120, None)]
    assert shares(stretches, alert(70, 80, None)) == {"unassigned": (1, 10.0)}
    exposure = Attribution(stretches).exposure()
    assert exposure["operator"].tolist() == ["op-11", "unassigned"]


def test_an_alert_without_recorded_work_counts_for_its_operator() -> None:
    assert shares([], alert(1, 2, "op-11")) == {"op-11": (1, 0.0)}


def test_a_withdrawn_alert_does_not_count() -> None:
    record = alert(1, 2, "op-11", evidence={"withdrawn": True})
    assert len(Attribution([stretch(0, 60, "op-11")]).faults([record], at(60))) == 0


def test_bouts_count_in_the_stretch_in_which_they_began() -> None:
    attribution = Attribution([stretch(60, 120, "op-12"), stretch(0, 60, "op-11")])
    attribution.add_bouts(KEY, at(10), BoutTotals(3, 6.0 * SECOND, 1.5 * SECOND))
    attribution.add_bouts(KEY, at(60), BoutTotals(1, 2.0 * SECOND, 0.0, 20.0, 3.0))
    attribution.add_bouts(KEY, at(70), BoutTotals(1, 2.0 * SECOND, 0.5 * SECOND))
    attribution.add_bouts(("fennick-hollow", "HB-99"), at(70), BoutTotals(1, 2.0 * SECOND))
    frame = attribution.exposure()
    assert frame["bouts"].tolist() == [3, 2]
    assert frame["judged_s"].tolist() == [6.0, 4.0]
    assert frame["blows"].fillna(-1).tolist() == [-1.0, 20.0]
    assert frame["blank_s"].tolist() == [1.5, 0.5]
    assert frame["blank_blows"].fillna(-1).tolist() == [-1.0, 3.0]


def test_adding_many_bouts_equals_adding_each() -> None:
    stretches = [stretch(60, 120, "op-12"), stretch(0, 60, "op-11"), stretch(130, 140, None)]
    starts = np.array([at(minutes) for minutes in (3, 59, 60, 61, 119, 131)])
    judged, blows = SECOND * np.arange(6.0), np.array([np.nan, np.nan, 5.0, np.nan, 7.0, np.nan])
    columns = judged, judged / 4, blows, blows - 4
    singly, together = Attribution(stretches), Attribution(stretches)
    for start, values in zip(starts.tolist(), zip(*(c.tolist() for c in columns), strict=True), strict=True):
        singly.add_bouts(KEY, start, BoutTotals(1, *(None if value != value else value for value in values)))
    together.add_bout_columns(KEY, starts, *columns)
    together.add_bout_columns(("fennick-hollow", "HB-99"), starts, *columns)
    pd.testing.assert_frame_equal(singly.exposure(), together.exposure())
    assert together.exposure()["bouts"].tolist() == [2, 3, 1]


@pytest.mark.parametrize("some", [True, False])
def test_columns_have_the_same_types_also_without_rows(some: bool) -> None:
    attribution = Attribution([stretch(0, 60, "op-11")] if some else [])
    exposure, faults = (
        attribution.exposure(),
        attribution.faults([alert(1, 2, "op-11")] if some else [], at(60)),
    )
    assert list(exposure) == list(EXPOSURE)
    assert list(faults) == list(FAULTS)
    kinds = {name: str(kind) for name, kind in {**exposure.dtypes, **faults.dtypes}.items()}
    assert {kinds[name] for name in ("start", "end", "onset", "cleared")} == {"datetime64[ns, UTC]"}
    assert {kinds[name] for name in ("operating_s", "firing_s", "judged_s", "blows", "seconds")} == {
        "float64"
    }
    assert (kinds["bouts"], kinds["count"], kinds["historic"]) == ("int64", "int64", "bool")
