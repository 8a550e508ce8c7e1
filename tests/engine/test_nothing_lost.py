"""Whatever comes in whatever order, with people at their desk and restarts at any point: nothing is lost, nothing is
told twice, never `cleared` without `raised`, and a restart changes nothing.
"""

import tempfile
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from strikewatch.engine.lifecycle import SUPPRESSED
from strikewatch.errors import Refused
from tests.engine.scene import Scene
from tests.profiles import examples

HAMMERS = ("HB-01", "HB-02", "HB-03")
FAULTS = ("same_spot", "cold_oil", "slow")
ALARMS: dict[str, Any] = {
    "delay_s": {"slow": 20.0},
    "suppressed": ("cold_oil",),
    "flood_above": 5,
    "flood_below": 3,
}
"""Small figures, so that floods begin and end within a few alerts."""

which = st.integers(0, 40)
hammer = st.sampled_from(HAMMERS)
step = st.one_of(
    st.tuples(
        st.just("raise"),
        hammer,
        st.sampled_from([*FAULTS, "same_spot", "same_spot"]),
        st.sampled_from(["medium", "medium", "low", "high"]),
        st.sampled_from([0.0, 0.0, 0.0, 5.0, 300.0, 20_000.0]),
    ),
    st.tuples(st.just("raise"), hammer, st.just("same_spot"), st.just("medium"), st.just(0.0)),
    st.tuples(st.just("escalate"), which),
    st.tuples(st.just("clear"), which),
    st.tuples(st.just("clear"), which),
    st.tuples(st.just("withdraw"), which),
    st.tuples(st.just("wait"), st.sampled_from([1.0, 10.0, 19.0, 30.0, 61.0, 200.0, 900.0])),
    st.tuples(st.just("wait"), st.sampled_from([1.0, 10.0])),
    st.tuples(st.just("shelve"), which, st.sampled_from([60.0, 1000.0])),
    st.tuples(st.just("unshelve"), which),
    st.tuples(st.just("acknowledge"), which),
    st.tuples(st.just("out"), hammer, st.sampled_from([None, 100.0])),
    st.tuples(st.just("in"), hammer),
)
story = st.lists(step, min_size=5, max_size=45)


def play(scene: Scene, steps: Sequence[tuple[Any, ...]], restarts: frozenset[int] = frozenset()) -> None:
    scene.commit()
    for n, (what, *how) in enumerate(steps):
        if n in restarts:
            scene.restart()
        with suppress(Refused):
            _do(scene, what, how)


def _do(scene: Scene, what: str, how: list[Any]) -> None:
    if what == "raise":
        scene.raise_(*how)
    elif what == "wait":
        scene.wait(how[0])
    elif what == "out":
        until = how[1] and scene.now + round(how[1] * 1e9)
        scene.desk.out_of_service(how[0], by="fitter", reason="seals", until=until, now=scene.now)
    elif what == "in":
        scene.desk.in_service(how[0], by="fitter", now=scene.now)
    elif scene.raised:
        alert = scene.raised[how[0] % len(scene.raised)]
        if what == "shelve":
            until = scene.now + round(how[1] * 1e9)
            scene.desk.shelve(alert.id, until=until, by="manager", reason="known", now=scene.now)
        elif what == "unshelve":
            scene.desk.unshelve(alert.id, by="manager", now=scene.now)
        elif what == "acknowledge":
            scene.desk.acknowledge(alert.id, by="manager", now=scene.now)
        elif alert.cleared is None:
            if what == "escalate" and alert.priority != "high":
                scene.escalate(alert)
            elif what in ("clear", "withdraw"):
                scene.clear(alert, withdrawn=what == "withdraw")


def end(scene: Scene) -> None:
    """All hammers back, every shelf over, and time for every digest."""
    scene.alarms = scene.alarms.model_copy(update={"suppressed": ()})
    scene.restart()
    for name in HAMMERS:
        scene.desk.in_service(name, by="fitter", now=scene.now)
    for _ in range(3):
        scene.wait(3600)


@settings(max_examples=examples(80))
@given(story)
def test_nothing_is_lost_and_nothing_comes_before_its_raised(steps: list[tuple[Any, ...]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        scene = Scene(Path(folder), **ALARMS)
        try:
            play(scene, steps)
            end(scene)
            _check(scene)
        finally:
            scene.close()


def _check(scene: Scene) -> None:
    sent, rows = scene.sent(), scene.rows()
    with scene.store.read() as connection:
        assert connection.exec_driver_sql("select count(*) from alerts").scalar() == len(scene.raised)
    for alert, row in zip(scene.raised, rows, strict=True):
        own = [step for step, body in sent if body.get("id") == alert.id]
        listed = [
            one for step, body in sent if step == "digest" for one in body["alerts"] if one["id"] == alert.id
        ]
        standing = [one for one in listed if one["cleared"] is None]
        assert own == [word for word in ("raised", "escalated", "cleared") if word in own], (
            "each once, and in order"
        )
        assert own == [] or own[0] == "raised"
        assert len(standing) <= 1
        assert len(listed) <= 2
        if own and listed:
            assert next(body for step, body in sent if body.get("id") == alert.id)["priority"] == "high"
        assert not row["held"]
        assert row["due_ns"] is None
        assert row["state"] not in SUPPRESSED
        if alert.cleared is None:
            assert own or listed, "what stands is told"
            assert not own or alert.priority in (
                own and [b["priority"] for _, b in sent if b.get("id") == alert.id]
            )
        elif own:
            assert own[-1] == "cleared"
        elif listed:
            assert listed[-1]["cleared"] is not None
        else:
            _held_by_a_rule(scene, alert, row)


def _held_by_a_rule(scene: Scene, alert: Any, row: Any) -> None:
    """Over and never told: since it was put aside, or over before its delay, or withdrawn."""
    events = {line["event"] for line in scene.desk.history(alert.id)}
    aside = events & {"shelve", "out_of_service", "suppress"}
    short = alert.fault == "slow" and alert.cleared - alert.onset < 20e9
    assert row["told"] == ""
    assert aside or short or alert.describe()[0].get("withdrawn")


@settings(max_examples=examples(40))
@given(story, st.frozensets(st.integers(0, 44), max_size=12))
def test_restarts_change_nothing(steps: list[tuple[Any, ...]], restarts: frozenset[int]) -> None:
    """To the letter of every message and every line of the history."""
    outcomes = []
    for stops in (frozenset[int](), restarts):
        with tempfile.TemporaryDirectory() as folder:
            scene = Scene(Path(folder), **ALARMS)
            try:
                play(scene, steps, stops)
                end(scene)
                told = [scene.desk.history(alert.id) for alert in scene.raised]
                outcomes.append((scene.sent(), told))
            finally:
                scene.close()
    assert outcomes[0] == outcomes[1]


def test_the_generated_sequences_reach_every_rule() -> None:
    """Else the properties would prove little: one story that meets storms, shelves, stays and delays."""
    with tempfile.TemporaryDirectory() as folder:
        scene = Scene(Path(folder), **ALARMS)
        try:
            raises = [("raise", HAMMERS[n % 3], "same_spot", "medium", 0.0) for n in range(12)]
            play(
                scene,
                [
                    *raises,
                    ("out", "HB-01", None),
                    ("raise", "HB-01", "slow", "low", 0.0),
                    ("shelve", 1, 60.0),
                ],
            )
            end(scene)
            steps = {step for step, _ in scene.sent()}
            assert steps == {"raised", "digest"}
            _check(scene)
        finally:
            scene.close()
