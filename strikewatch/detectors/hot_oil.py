"""hot_oil: the hammer worked with its oil above 80 degC / 176 degF (common practice, no published source).

The oil becomes hot once it has been above the limit for `on_delay_s` without a break, and cool again at the first
value at or below `cool_c`. Hot oil without firing is a cool-down, no fault; one fault at most a hot spell.
"""

import math
from typing import Any, Final, Literal

import numpy as np
from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.channels import CHANNELS
from strikewatch.core.finding import Fault, Highlight
from strikewatch.detectors.base import FIRING, Detector, DetectorSettings, hundredth, seconds
from strikewatch.detectors.kernels import (
    CLEARED,
    ESCALATED,
    HIGH,
    MEDIUM,
    NEVER,
    RAISED,
    STANDING,
    emit,
    first_above,
    kernel,
    nothing_yet,
    nth,
    part,
    sample,
)

OilGrade = Literal["VG 32", "VG 46", "VG 68", "VG 100"]

WALTHER: Final[dict[OilGrade, tuple[float, float]]] = {
    "VG 32": (9.580289, 3.766401),
    "VG 46": (9.455829, 3.699602),
    "VG 68": (9.288586, 3.615938),
    "VG 100": (9.067002, 3.512093),
}
"""ISO 3448 grade → A, B of ASTM D341, log10 log10(v + 0.7) = A - B log10(T_K), through the grade's viscosity at 40 degC
and the one at 100 degC that gives a viscosity index of 100 by ASTM D2270."""


class Settings(DetectorSettings):
    """Firing with hot oil."""

    rising = ("cool_c", "limit_c", "high_c")

    limit_c: float = Field(80.0, description="Oil above this is hot, degC (176 degF)")
    on_delay_s: float = Field(5.0, ge=0, description="It must stay above for this long, s")
    cool_c: float = Field(78.0, description="At or below this it is cool again, degC")
    high_c: float = Field(85.0, description="A peak above this makes the alert high, degC")
    oil_grade: OilGrade = Field(
        "VG 46", description="ISO 3448 grade of the hydraulic oil; see the carrier's handbook"
    )


STATE: Final = np.dtype(
    [
        ("oil", "<f8"),
        ("oil_until", "<i8"),
        ("above_since", "<i8"),
        ("hot", "<i8"),
        ("onset", "<i8"),
        ("high", "<i8"),
        ("peak", "<f8"),
        ("fired", "<i8"),  # ns of firing while hot
    ]
)
PARAMS: Final = np.dtype(
    [
        ("limit", "<f8"),
        ("on_delay", "<i8"),
        ("cool", "<f8"),
        ("high", "<f8"),
        ("walther_a", "<f8"),
        ("walther_b", "<f8"),
    ]
)

_HOLD: Final = CHANNELS["oil_c"].hold_ns


@kernel
def viscosity_mm2_s(oil_c: float, walther_a: float, walther_b: float) -> float:
    """Kinematic viscosity, mm2/s, by ASTM D341's equation for v above 2 mm2/s."""
    return 10.0 ** (10.0 ** (walther_a - walther_b * math.log10(oil_c + 273.15))) - 0.7  # type: ignore[no-any-return]


@part
def _evidence(s: Any, p: Any, fired: int) -> Any:
    return (s.peak, float(fired), viscosity_mm2_s(s.peak, p.walther_a, p.walther_b))


@kernel
def run(
    report: bool,
    spans: Any,
    time_ns: Any,
    fire_until: Any,
    state: Any,
    params: Any,
    oil_c: Any,
    out: Any,
) -> int:
    n = nothing_yet()
    for g in range(len(spans)):
        span = spans[g]
        s = state[g]
        p = params[span.slot]
        i = span.first - 1
        while i < span.last:
            if not s.hot and s.above_since == NEVER:
                # Neither hot nor on its way there: only a value above the limit matters.
                i = first_above(oil_c, max(i, span.first), span.last, p.limit)
                if i == span.last:
                    break
            a = span.since
            if i >= span.first:
                a = nth(time_ns, i)
                v = sample(oil_c, i)
                if v == v:
                    s.oil = v
                    s.oil_until = a + _HOLD
                    if s.hot and v <= p.cool:
                        if s.onset != NEVER:
                            n = emit(
                                out,
                                n,
                                g,
                                0,
                                CLEARED,
                                s.onset,
                                a,
                                HIGH if s.high else MEDIUM,
                                _evidence(s, p, s.fired),
                            )
                        s.hot = 0
                        s.onset = NEVER
                        s.high = 0
                    if s.hot:
                        if v > s.peak:
                            s.peak = v
                            if v > p.high and s.onset != NEVER and not s.high:
                                s.high = 1
                                n = emit(out, n, g, 0, ESCALATED, s.onset, a, HIGH, _evidence(s, p, s.fired))
                    elif v > p.limit:
                        if s.above_since == NEVER:
                            s.above_since = a
                    else:
                        s.above_since = NEVER
            i += 1
            if not s.hot and s.above_since == NEVER:
                continue
            last = i == span.last
            b = span.upto if last else nth(time_ns, i)
            hot_from = a
            if not s.hot:
                due = s.above_since + p.on_delay
                # At the instant of a row the row decides; at a watermark no row is left to.
                if due < s.oil_until and (due < b or (last and due == b)):
                    s.hot = 1
                    s.above_since = NEVER
                    s.peak = s.oil
                    s.fired = 0
                    hot_from = due
                elif s.oil_until < b or (last and s.oil_until == b):
                    s.above_since = NEVER
            f = nth(fire_until, i + g)
            if s.hot and f > hot_from:
                if s.onset == NEVER:
                    s.onset = hot_from
                    s.high = 1 if s.peak > p.high else 0
                    n = emit(
                        out, n, g, 0, RAISED, s.onset, s.onset, HIGH if s.high else MEDIUM, _evidence(s, p, 0)
                    )
                s.fired += max(0, min(f, b) - hot_from)
        if report and s.onset != NEVER:
            n = emit(
                out,
                n,
                g,
                0,
                STANDING,
                s.onset,
                span.upto,
                HIGH if s.high else MEDIUM,
                _evidence(s, p, s.fired),
            )
    return n


def _params(settings: Settings) -> tuple[Any, ...]:
    return (
        settings.limit_c,
        instant.seconds(settings.on_delay_s),
        settings.cool_c,
        settings.high_c,
        *WALTHER[settings.oil_grade],
    )


DETECTOR: Final = Detector(
    name="hot_oil",
    version=1,
    faults=(
        Fault(
            "hot_oil",
            "Fired with the oil at up to {peak_oil_c:.1f} °C; stop and let it cool.",
            {"peak_oil_c": hundredth, "firing_hot_s": seconds, "viscosity_mm2_s": hundredth},
            of_operator=True,
            by_machine=True,
            highlights=(
                Highlight("peak_oil_c", "the hottest: {value:.1f} °C"),
                Highlight("firing_hot_s", "the most firing with hot oil: {value:.0f} s"),
            ),
            picture_s=(300, 600),
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("oil_c",),
    fresh={"oil_until": NEVER, "above_since": NEVER, "onset": NEVER},
    needs=(FIRING, ("oil_c",)),
)
