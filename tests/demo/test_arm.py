"""The carrier's arm: strokes belong to where the tool stands, by the plane's own trigonometry."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.demo.arm import Arm, Strokes
from strikewatch.demo.fitted import FAR_M, HEIGHT_M, REACH_M, STRETCHED, TILT_DEG

ARM = Arm()
reaches = st.floats(*FAR_M)
heights = st.floats(*HEIGHT_M)


def angles_deg(strokes: Strokes) -> list[float]:
    """Of each joint, from where its cylinder has it."""
    ends = (ARM.boom_deg, ARM.stick_deg, ARM.bucket_deg)
    return [first + (last - first) * stroke for (first, last), stroke in zip(ends, strokes, strict=True)]


def tip(strokes: Strokes) -> tuple[float, float]:
    """Link after link, each turned against the one before: textbook forward kinematics of a plane (from memory)."""
    boom_deg, stick_deg, bucket_deg = angles_deg(strokes)
    out_m, up_m, turned_deg = 0.0, ARM.foot_m, 0.0
    for length_m, by_deg in (
        (ARM.boom_m, boom_deg),
        (ARM.stick_m, stick_deg),
        (ARM.tool_m, bucket_deg),
    ):
        turned_deg += by_deg
        out_m += length_m * math.cos(math.radians(turned_deg))
        up_m += length_m * math.sin(math.radians(turned_deg))
    return out_m, up_m


@given(st.floats(*REACH_M), heights, st.floats(-30.0, 30.0))
def test_the_arm_so_bent_has_its_tool_there(reach_m: float, height_m: float, tilt_deg: float) -> None:
    strokes = ARM.strokes(ARM.joints(reach_m, height_m, tilt_deg))
    assert tip(strokes) == pytest.approx((reach_m, height_m), abs=1e-9)
    boom_deg, stick_deg, bucket_deg = angles_deg(strokes)
    assert boom_deg + stick_deg + bucket_deg == pytest.approx(tilt_deg - 90.0)


@given(reaches, heights, st.floats(*TILT_DEG))
def test_in_good_work_no_cylinder_is_near_an_end(reach_m: float, height_m: float, tilt_deg: float) -> None:
    """By more than twice the 5 % that count as the end."""
    assert all(0.1 < stroke < 0.9 for stroke in ARM.strokes(ARM.joints(reach_m, height_m, tilt_deg)))


@given(st.floats(*STRETCHED), heights, st.floats(-26.0, 26.0))
def test_stretched_so_far_the_stick_alone_is_at_its_end(
    stick: float, height_m: float, tilt_deg: float
) -> None:
    strokes = ARM.strokes(ARM.joints(ARM.reach_m(stick, height_m, tilt_deg), height_m, tilt_deg))
    assert strokes.stick == pytest.approx(stick)
    assert all(0.06 < stroke < 0.94 for stroke in (strokes.boom, strokes.bucket))


def test_out_of_reach_is_an_error() -> None:
    with pytest.raises(ValueError, match="out of reach"):
        ARM.joints(12.0, 0.0, 0.0)
