"""blank_firing: the piston strikes while the tool is not loaded. Suspected, never measured.

The mean supply pressure in short windows of a bout is compared with the level that this hammer has when loaded: the
level of this bout, as far as it was loaded, otherwise the baseline from earlier bouts. A low level that the bout
began with and left by a step is blank (fired before the tool was set), as is one that it fell to (slipped off, fell
through). A level that is low all through a bout may be the pump's or the rock's: it is judged when the bout is over;
if the next bouts have it too (without engine speed, the very next one), the pump has changed and the baseline is
replaced.

Where engine speed is unknown, a level that stays low until the release may be a throttle's: such a suspicion waits
for the next bout. The start-up transient and the decay after release are no evidence. In fast feeds blow rate and
pulse are evidence too.

Onset: the start of the first window of an unbroken run of suspicious windows of at least `blank_min_s`. Cleared: when
the run or the bout ends. Priority: high from `high_s`.
"""

from collections.abc import Iterator
from typing import Any, Final, Literal

from pydantic import Field

from strikewatch.core import instant
from strikewatch.core.finding import Fault, Highlight
from strikewatch.detectors.base import (
    FIRES_ON,
    Detector,
    DetectorSettings,
    Older,
    hundredth,
    seconds,
    tenth,
    whole,
)
from strikewatch.detectors.blank_firing import baseline, score
from strikewatch.detectors.blank_firing.bout import begin_bout, emit_bout, end_bout, rejection_reason
from strikewatch.detectors.blank_firing.runs import WITHIN, resolve
from strikewatch.detectors.blank_firing.score import OPEN
from strikewatch.detectors.blank_firing.segments import take_speed
from strikewatch.detectors.blank_firing.state import (
    FRESH,
    LEAVING,
    MIRROR,
    PARAMS,
    STATE,
    VERSION_3,
    VERSION_4,
    carry_over_3,
    carry_over_4,
)
from strikewatch.detectors.blank_firing.windows import take_rows
from strikewatch.detectors.kernels import (
    HIGH,
    MEASURED,
    MEDIUM,
    NEVER,
    SERVICED,
    STANDING,
    emit_array,
    inlined,
    part,
    sample,
    unchecked,
)

Direction = Literal["falls", "rises"]


class Settings(DetectorSettings):
    """Suspected blank firing, from the level of supply pressure."""

    rising = ("blank_min_s", "high_s")

    blank_min_s: float = Field(
        1.0, gt=0, description="Length of an unbroken run of suspicious windows from which it is a fault, s"
    )
    high_s: float = Field(5.0, gt=0, description="Duration from which the alert has high priority, s")
    transient_s: float = Field(
        0.4, ge=0, description="Time at the start of a bout that is not used as evidence, s"
    )
    level_when_blank: Direction = Field(
        "falls", description="How the level changes in blank firing; depends on the hammer's design"
    )
    least_change: float = Field(
        0.1, gt=0, lt=1, description="Smallest change of level that is suspicious, share of the level"
    )
    least_score: float = Field(
        0.7,
        ge=0,
        le=1,
        description="Lowest score with which a suspicion is raised, or shown at its end",
    )
    learn_s: float = Field(
        15.0, gt=0, description="Loaded firing after which the level is known well enough to judge, s"
    )
    wide_pulse: float = Field(
        1.5,
        gt=1,
        description="Width of pulses, as a multiple of the first, from which accumulator_suspect is raised",
    )
    relearn_s: float = Field(
        10.0, gt=0, description="Time that a bout must be low from its start to show a changed pump, s"
    )


@part
def run(tile: Any, state: Any, params: Any, rows: Any, pressure_bar: Any, engine_rpm: Any, out: Any) -> None:
    event = tile.first_event
    if state.bout != NEVER and (tile.runs == 0 or rows.runs[0].start > tile.since):
        end_bout(state, params, out)
    for k in range(tile.runs):
        run = rows.runs[k]
        i = run.first
        if state.bout == NEVER:
            event = _take_services(state, tile, rows, event, run.start)
            if state.waiting.on and (state.serviced or run.start >= state.waiting.until):
                resolve(state, params, OPEN, out)
            if state.serviced:
                baseline.relearn(state, run.start, out)
                state.serviced = 0
            begin_bout(state, params, run.start)
            if i < run.last and unchecked(rows.time_ns, i) == run.start:
                # The pressure of its first row is that before the bout.
                take_speed(state, sample(engine_rpm.values, i), run.start)
                i += 1
        if pressure_bar.n or engine_rpm.n or state.rpm > 0.0:
            take_rows(state, params, rows.time_ns, pressure_bar, engine_rpm, i, run.last, out)
        state.fire_end = run.end
        if run.last < tile.last or run.end < tile.upto:
            end_bout(state, params, out)
    _take_services(state, tile, rows, event, tile.upto)
    if state.waiting.on and state.bout == NEVER and tile.upto >= state.waiting.until:
        resolve(state, params, OPEN, out)
    if tile.report:
        priority = HIGH if state.high else MEDIUM
        emit_array(out, 0, STANDING, state.onset, tile.upto, priority, state.valid)
        if state.waiting.on:
            deferred = state.waiting
            emit_array(out, 0, MEASURED, deferred.bout, deferred.fire_end, 0, deferred.bout_numbers)
        if state.bout != NEVER:
            emit_bout(state, params, 0.0, state.baseline.level, rejection_reason(state, params), out)


@inlined
def _take_services(state: Any, tile: Any, rows: Any, event: int, upto: int) -> int:
    """Take the events from number `event` on, up to an instant; return the next event."""
    while event < tile.last_event and rows.events[event].at <= upto:
        if rows.events[event].kind == SERVICED:
            state.serviced = 1
        event += 1
    return event


def _params(settings: Settings) -> tuple[Any, ...]:
    return (
        instant.seconds(settings.blank_min_s),
        instant.seconds(settings.high_s),
        instant.seconds(settings.transient_s),
        settings.level_when_blank == "rises",
        settings.least_change,
        settings.least_score,
        score.log_odds_of(settings.least_score),
        score.AT_ONCE,
        instant.seconds(settings.learn_s),
        instant.seconds(settings.relearn_s),
        settings.wide_pulse,
        score.WEIGHTS + score.CALIBRATION,
    )


def _under_way(record: Any, _params: Any, _upto: int) -> Iterator[int]:
    if record["bout"] != NEVER:
        yield int(record["bout"])
    if record["waiting"]["on"]:
        yield int(record["waiting"]["bout"])


def _pending(record: Any, _params: Any, _upto: int) -> Iterator[int]:
    """Yield where a run in the bout under way began, or may turn out to have begun; see `segments.step_down`."""
    bout, steps = int(record["bout"]), record["cusum"]
    if record["waiting"]["on"]:
        yield int(record["waiting"]["onset"])
    if bout == NEVER:
        return
    yield bout
    yield int(record["calm_until"])
    falling = record["windows"] and steps["fall"] > 0.0
    for at in (int(record["window"]), int(steps["fall_at"]) if falling else bout):
        yield at
        yield max(bout, at - LEAVING)
    if record["run"] != NEVER:
        yield int(record["run"])


def _where(value: float) -> str:
    return ("start of the bout", "middle of the bout", "end of the bout", "whole bout")[int(value)]


def _features(value: float) -> str:
    """Return the features that support the suspicion, separated by commas."""
    bits = int(value)
    names = ("level", "blow rate", "pulse", "pulses stopped")
    return ", ".join(name for bit, name in enumerate(names) if bits >> bit & 1)


def _confirmed(value: float) -> str:
    return "by the next bout" if value > 0.0 else "not yet"


def _yes(_value: float) -> bool:
    return True


def learned(record: Any, settings: Any) -> dict[str, Any]:
    """Return what a hammer has shown, from its record.

    How well it is known (`not yet`, `learning`, `well`); the level in bar at the reference engine speed and its
    spread from bout to bout; how far it fell when firing blank (None until a step inside a bout has shown it); the
    exponent of engine speed; blow rate and pulse in fast feeds.
    """
    shown = record["baseline"]
    learned_s = shown["learned"] / 1e9
    level = float(shown["level"])
    mirrored = settings.level_when_blank == "rises" and level > 0.0
    fast = shown["pulse_bouts"] > 0
    fitted = (baseline.DOUBT * baseline.BY_FLOW + shown["product"]) / (baseline.DOUBT + shown["square"])
    known = (
        "not yet"
        if learned_s < settings.learn_s
        else "learning"
        if learned_s < 8 * settings.learn_s
        else "well"
    )
    return {
        "known": known,
        "learned_s": tenth(learned_s),
        "bouts": int(shown["bouts"]),
        "level_bar": tenth(MIRROR / level if mirrored else level) if level > 0.0 else None,
        "spread_percent": tenth(125.0 * float(shown["spread"])),
        "fall_percent": tenth(100.0 * float(shown["fall"])) if shown["falls"] else None,
        "reference_rpm": tenth(float(shown["rpm"])) if shown["rpm"] > 0.0 else None,
        "speed_power": hundredth(min(2.5, max(0.5, float(fitted)))),
        "blows_per_min": tenth(60.0 * float(shown["rate_hz"])) if fast else None,
        "pulse_spread_bar": tenth(float(shown["pulse_bar"])) if fast else None,
        "first_pulse_spread_bar": tenth(float(shown["pulse_first"])) if fast else None,
    }


DETECTOR: Final = Detector(
    name="blank_firing",
    version=5,
    faults=(
        Fault(
            "blank_firing",
            "Suspected blank firing for {blank_s:.1f} s, {place}: level {change_percent:+.0f} % from loaded.",
            {
                "blank_s": seconds,
                "blank_blows": whole,
                "level_bar": tenth,
                "loaded_level_bar": tenth,
                "change_percent": tenth,
                "level_deviations": tenth,
                "rate_change_percent": tenth,
                "pulse_change_percent": tenth,
                "score": hundredth,
                "place": _where,
                "still_learning": _yes,
                "features": _features,
                "samples": whole,
                "sample_step_s": seconds,
                "spread_percent": tenth,
                "earlier_falls": whole,
                "engine_speed_known": _yes,
                "usual_fall_percent": tenth,
                "borne_out": _confirmed,
            },
            of_operator=True,
            exposure="judged",
            by_machine=True,
            highlights=(
                Highlight("score", "the surest: score {value:.2f} of 1"),
                Highlight("blank_s", "the longest: {value:.1f} s"),
            ),
        ),
        Fault(
            "accumulator_suspect",
            "Pulses have widened to {pulse_spread_bar:.0f} bar, {ratio:.1f} times as wide as at first: "
            "the accumulator's charge may be low.",
            {"pulse_spread_bar": tenth, "first_spread_bar": tenth, "ratio": hundredth},
        ),
    ),
    settings=Settings,
    state=STATE,
    params_dtype=PARAMS,
    params=_params,
    run=run,
    reads=("pressure_bar", "engine_rpm"),
    fresh=FRESH,
    older={3: Older(VERSION_3, carry_over_3), 4: Older(VERSION_4, carry_over_4)},
    measures=True,
    needs=(("pressure_bar",),),
    horizon=lambda _settings: FIRES_ON + WITHIN,
    pending=_pending,
    under_way=_under_way,
)
