"""Faults that a feed or profile shows only indirectly are reported as inferred, with the reason."""

import pytest

from strikewatch.detectors import coverage
from strikewatch.settings.faults import Faults

ARM = {"pose": {"boom_m": 5.7, "stick_m": 2.9, "tool_m": 2.6, "boom_foot_m": 0.0}}
ANGLES = {"boom_deg", "stick_deg", "bucket_deg", "swing_deg"}


def inferred(channels: set[str], **tables: dict[str, object]) -> dict[str, str]:
    settings = Faults.model_validate(tables).by_detector()
    return dict(coverage.inferred_faults(settings, {"active", "engine_rpm", *channels}))


def test_angles_without_the_lengths_of_the_arm_are_a_reason() -> None:
    assert inferred(ANGLES)["same_spot"] == (
        "spots are told apart by pauses only: the feed has boom_deg, stick_deg, bucket_deg and swing_deg, but the "
        "hammer's table has no `pose` (lengths of the arm)"
    )
    assert inferred(ANGLES, **ARM) == {}  # type: ignore[arg-type]  # tables of settings


@pytest.mark.parametrize(
    ("channels", "reason"),
    [
        (set(), "no tool_x_m and tool_y_m in the feed"),
        ({"boom_deg", "stick_deg"}, "the feed has boom_deg and stick_deg, but no bucket_deg or swing_deg"),
    ],
)
def test_missing_channels_of_the_position_are_the_reason(channels: set[str], reason: str) -> None:
    assert inferred(channels, **ARM)["same_spot"].endswith(reason)  # type: ignore[arg-type]  # tables of settings


def test_with_positions_nothing_is_inferred() -> None:
    assert inferred({"tool_x_m", "tool_y_m"}) == {}


def test_operating_hours_without_engine_speed_are_inferred() -> None:
    def inferred_from_rows(**tables: dict[str, object]) -> dict[str, str]:
        settings = Faults.model_validate(tables).by_detector()
        return dict(coverage.inferred_faults(settings, {"active", "tool_x_m", "tool_y_m"}))

    assert inferred_from_rows()["grease_overdue"].endswith("no engine_rpm in the feed")
    assert inferred_from_rows(grease={"clock": "firing"}) == {}
    assert inferred_from_rows(grease={"method": "automatic"}) == {}


def test_a_fault_that_is_not_monitored_is_not_also_inferred() -> None:
    settings = Faults().by_detector()
    assert "same_spot" in dict(coverage.unmonitored_faults(settings, {"oil_c"}))
    assert "same_spot" not in dict(coverage.inferred_faults(settings, {"oil_c"}))
