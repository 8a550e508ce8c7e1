"""The tool tip from the arm's angles, against a textbook's worked chain and a robotics library.

K. M. Lynch and F. C. Park, Modern Robotics (Cambridge University Press, 2017), chapter 4: the planar 3R chain
x = L1 cos t1 + L2 cos(t1 + t2) + L3 cos(t1 + t2 + t3), and its product of exponentials; J. J. Craig, Introduction to
Robotics, chapter 3, has the same chain by link frames (both from memory). Reference library: `modern_robotics`, the one
that goes with the book.
"""

import math
from collections.abc import Sequence
from typing import Any

import modern_robotics
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.detectors import pose
from strikewatch.detectors.kernels import kernel
from strikewatch.detectors.tiles import TILE
from strikewatch.settings.faults import Faults

Lengths = tuple[float, float, float]
Angles = tuple[float, float, float, float]
"""Boom, stick, bucket, swing, deg."""

lengths = st.tuples(*[st.floats(0.1, 12.0)] * 3)
feet = st.floats(-2.0, 3.0)
# In steps of 1/1024 deg: the library takes rotations below 1e-6 rad for none.
degrees = st.integers(-360 * 1024, 360 * 1024).map(lambda k: k / 1024)
angles = st.tuples(*[degrees] * 4)


@kernel
def derive(tile: Any, state: Any, params: Any, time_ns: Any, angles: Any, found: Any) -> None:
    columns = angles[0], angles[1], angles[2], angles[3]
    pose.derive(tile[0], state[0], params[0], time_ns, columns, found[0], found[1])


def tips(length: Lengths, foot: float, given_deg: Sequence[Angles], convention: str = "joint") -> Any:
    """The derived (x, y) [n, 2], m; one row of a feed for each."""
    arm = {
        "boom_m": length[0],
        "stick_m": length[1],
        "tool_m": length[2],
        "boom_foot_m": foot,
        "angles": convention,
    }
    settings = Faults.model_validate({"pose": arm}).pose
    n = len(given_deg)
    tile = np.zeros(1, TILE)
    tile["last"] = n
    found = np.full((2, n), np.nan)
    columns = np.array(given_deg, float).reshape(n, 4).T.copy()
    params = np.array([pose.params(settings)], pose.PARAMS)
    derive(tile, np.zeros(1, pose.STATE), params, np.arange(n), columns, found)
    return found.T


def by_library(length: Lengths, foot: float, deg: Angles) -> Any:
    """The product of exponentials: the swing about z, then three parallel axes that raise the arm (-y)."""
    joints = np.cumsum([foot, *length])
    screws = [[0.0, 0.0, 1.0, 0.0, 0.0, 0.0]]
    for at in joints[:3]:
        axis, point = np.array([0.0, -1.0, 0.0]), np.array([at, 0.0, 0.0])
        screws.append([*axis, *-np.cross(axis, point)])
    home = np.eye(4)
    home[0, 3] = joints[3]
    turned = np.radians([deg[3], *deg[:3]])
    return modern_robotics.FKinSpace(home, np.array(screws).T, turned)[:2, 3]


@pytest.mark.parametrize(
    ("deg", "tip"),
    [
        ((0.0, 0.0, 0.0, 0.0), (6.0, 0.0)),  # stretched out: L1 + L2 + L3
        ((90.0, -90.0, 0.0, 0.0), (3.0, 0.0)),  # the boom upright, the rest level: L2 + L3
        ((0.0, 90.0, 90.0, 0.0), (2.0, 0.0)),  # folded back: L1 - L3
        ((60.0, -60.0, -60.0, 0.0), (4.0, 0.0)),  # L1/2 + L2 + L3/2
        ((60.0, -60.0, -60.0, 90.0), (0.0, 4.0)),  # the same to the left
        ((60.0, -60.0, -60.0, -30.0), (2.0 * math.sqrt(3.0), -2.0)),
    ],
)
def test_the_textbook_chain_by_hand(deg: Angles, tip: tuple[float, float]) -> None:
    """Links of 3, 2 and 1 m at angles whose cosines are known exactly."""
    assert tips((3.0, 2.0, 1.0), 0.0, [deg]) == pytest.approx(np.array([tip]), abs=1e-12)


@given(lengths, feet, st.lists(angles, min_size=1, max_size=20))
def test_the_textbook_formula_and_the_library_agree(
    length: Lengths, foot: float, given_deg: list[Angles]
) -> None:
    found = tips(length, foot, given_deg)
    for (x, y), deg in zip(found.tolist(), given_deg, strict=True):
        t1, t2, t3, swing = np.radians(deg)
        chain = np.cos(t1) * length[0] + np.cos(t1 + t2) * length[1] + np.cos(t1 + t2 + t3) * length[2]
        assert np.hypot(x, y) == pytest.approx(abs(foot + chain), abs=1e-9)
        assert (x, y) == pytest.approx(
            ((foot + chain) * np.cos(swing), (foot + chain) * np.sin(swing)), abs=1e-9
        )
        assert (x, y) == pytest.approx(tuple(by_library(length, foot, deg)), abs=1e-9)


@given(lengths, feet, angles, degrees)
def test_swinging_turns_the_tip_about_the_axis(
    length: Lengths, foot: float, deg: Angles, more: float
) -> None:
    """As the library's rotation about z does."""
    before, after = tips(length, foot, [deg, (*deg[:3], more)])
    turn = modern_robotics.MatrixExp3(modern_robotics.VecToso3([0.0, 0.0, math.radians(more - deg[3])]))
    assert after == pytest.approx((turn @ [*before, 0.0])[:2], abs=1e-9)


@given(lengths, feet, angles)
def test_angles_to_the_horizontal_and_to_the_link_before_give_the_same_tip(
    length: Lengths, foot: float, deg: Angles
) -> None:
    boom, stick, bucket, swing = deg
    level = (boom, boom + stick, boom + stick + bucket, swing)
    assert tips(length, foot, [level], "level") == pytest.approx(tips(length, foot, [deg]), abs=1e-9)
