"""Which alerts each endpoint gets, with a real store and real filters: raised first, and always the end."""

from collections.abc import Sequence
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import text

from strikewatch.core.alert import Alert, Change, Priority, Step
from strikewatch.core.instant import SECOND
from strikewatch.engine.flood import Settings as Alarms
from strikewatch.sinks.filter import Filter, Routes
from strikewatch.sinks.sites import Sites
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from tests.profiles import examples

NOON = 1_772_625_600 * SECOND
"""A Wednesday, 12:00 UTC."""
HOUR = 3600 * SECOND
ALARMS = Alarms(flood_above=10_000, chattering_raisings=10_000)
"""No storms here."""

Sent = list[tuple[str, int, str, str]]


def change(n: int, step: Step, priority: Priority, at: int) -> Change:
    fault = ("same_spot", "hot_oil")[n % 2]
    cleared = at if step == "cleared" else None
    alert = Alert(fault, "pit", f"HB-0{n % 3}", None, priority, NOON + n * SECOND, cleared)
    return Change(step, "pit", alert.hammer, alert.id, alert.record(), alert.onset, cleared)


def sent_steps(store: Store) -> Sent:
    """Return (endpoint, alert number, step, priority) in the order of sending."""
    sql = "select endpoint, body ->> 'onset', step, body ->> 'priority' from outbox order by seq"
    with store.read() as connection:
        return [
            (one, int(onset[17:19]), step, priority)
            for one, onset, step, priority in connection.execute(text(sql))
        ]


def run(path: Path, filters: dict[str, Filter], steps: Sequence[tuple[int, Change]]) -> Sent:
    store = Store(
        path / "watch.db", dict.fromkeys(filters, "x"), alarms=ALARMS, route=Routes(filters, Sites())
    )
    for at, one in steps:
        store.commit(StepRecord(at, changes=[one]))
    found = sent_steps(store)
    store.close()
    return found


def test_an_alert_that_escalates_past_the_filter_is_sent_as_raised(tmp_path: Path) -> None:
    filters = {"all": Filter(), "high": Filter(lowest="high")}
    steps: list[tuple[Step, Priority]] = [
        ("raised", "low"),
        ("escalated", "medium"),
        ("escalated", "high"),
        ("cleared", "high"),
    ]
    found = run(tmp_path, filters, [(NOON, change(1, step, priority, NOON)) for step, priority in steps])
    assert [one[2:] for one in found if one[0] == "all"] == steps
    assert [one[2:] for one in found if one[0] == "high"] == [("raised", "high"), ("cleared", "high")]


def test_outside_its_hours_an_endpoint_gets_only_cleared_steps(tmp_path: Path) -> None:
    """Alert 1 is raised within the hours, 2 outside and cleared within, 3 escalates within."""
    filters = {"day": Filter(hours=("Wed 12:00-13:00",))}
    late, next_day = NOON + HOUR, NOON + 7 * 24 * HOUR
    steps = [
        (NOON, change(1, "raised", "low", NOON)),
        (late, change(1, "escalated", "high", late)),
        (late, change(1, "cleared", "high", late)),
        (late, change(2, "raised", "low", late)),
        (late, change(3, "raised", "low", late)),
        (next_day, change(2, "cleared", "low", next_day)),
        (next_day, change(3, "escalated", "medium", next_day)),
    ]
    assert run(tmp_path, filters, steps) == [
        ("day", 1, "raised", "low"),
        ("day", 1, "escalated", "high"),
        ("day", 1, "cleared", "high"),
        ("day", 3, "raised", "medium"),
    ]


PRIORITY = st.sampled_from(["low", "medium", "high"])
FILTER = st.builds(
    Filter,
    hammers=st.sampled_from([(), ("HB-00",), ("HB-01", "HB-02")]),
    faults=st.sampled_from([(), ("same_spot",), ("hot_oil",)]),
    lowest=PRIORITY,
    hours=st.sampled_from([(), ("Wed 12:00-15:00",), ("Mon-Fri 14:00-03:00", "Sun 00:00-24:00")]),
)
LIFE = st.tuples(PRIORITY, st.lists(PRIORITY, max_size=3), st.booleans())


@settings(max_examples=examples(25))
@given(
    st.lists(FILTER, min_size=1, max_size=3), st.lists(LIFE, max_size=6), st.randoms(use_true_random=False)
)
def test_an_endpoint_gets_raised_first_and_then_every_later_step(
    chosen: list[Filter], lives: list[tuple[Priority, list[Priority], bool]], order: Random
) -> None:
    """For any filters, alerts and hours: an endpoint gets every step of an alert from its first accepted one on."""
    filters = {f"end{i}": one for i, one in enumerate(chosen)}
    queues: list[list[tuple[int, Step, Priority]]] = []
    for n, (first, worse, over) in enumerate(lives):
        life: list[tuple[int, Step, Priority]] = [(n, "raised", first)]
        life += [
            (n, "escalated", priority)
            for k, priority in enumerate(worse)
            if priority not in (first, *worse[:k])
        ]
        queues.append([*life, *([(n, "cleared", life[-1][2])] if over else [])])
    steps: list[tuple[int, Change]] = []
    now = NOON
    while left := [queue for queue in queues if queue]:
        now += order.randrange(5 * HOUR)
        steps.append((now, change(*order.choice(left).pop(0), now)))
    with TemporaryDirectory() as folder:
        found = run(Path(folder), filters, steps)
    routes = Routes(filters, Sites())
    for name in filters:
        for n in range(len(lives)):
            whole = [(at, one) for at, one in steps if one.onset == NOON + n * SECOND]
            passing = [
                k
                for k, (at, one) in enumerate(whole)
                if one.step != "cleared" and routes(name, one.record, at)
            ]
            expected = [one.step for _, one in whole[passing[0] :]] if passing else []
            assert [one[2] for one in found if one[:2] == (name, n)] == (
                ["raised", *expected[1:]] if expected else []
            )
