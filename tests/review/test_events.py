"""Events are read from both databases without those that were corrected."""

from pathlib import Path

from sqlalchemy import URL

from strikewatch.core.events import Event, drop_corrected, reference_to
from strikewatch.core.instant import SECOND
from strikewatch.review.data.from_store import read_events
from strikewatch.storage.actions.entries import add_entry
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store

KINDS = ("inspection", "work")


def test_events_are_read_in_order_up_to_an_instant_without_corrected_ones(where: Path | URL) -> None:
    def event(at_s: int, kind: str, site: str = "fennick-hollow", **fields: object) -> Event:
        return Event(site, "HB-01", kind, at_s * SECOND, fields)

    store = Store(where)
    try:
        later, first = event(20, "work", work="benching"), event(10, "inspection", bore_mm=1434.0)
        right = event(11, "inspection", bore_mm=143.4)
        bore = event(5, "inspection", "elsewhere", bore_mm=130.0)
        for entry in (later, bore, event(12, "service"), event(99, "work", work="trenching")):
            add_entry(store, entry, who="fitter", now=100 * SECOND)
        number = add_entry(store, first, who="fitter", now=101 * SECOND).number
        assert read_events(store, KINDS, 99 * SECOND) == [bore, first, later]
        right = add_entry(store, right, who="fitter", now=102 * SECOND, corrects=number).event
        assert read_events(store, KINDS, 99 * SECOND) == [bore, right, later]
        assert read_events(store, KINDS, 99 * SECOND, "fennick-hollow") == [right, later]
        # A withdrawal in the same step as the event that it withdraws removes both.
        wrong = event(30, "inspection", bore_mm=1.0)
        withdrawals = [
            event(at_s, "withdrawal", corrects=reference_to(entry))
            for at_s, entry in ((98, wrong), (99, right))
        ]
        store.commit(StepRecord(103 * SECOND, [], events=[wrong, *withdrawals]))
        assert read_events(store, KINDS, 99 * SECOND) == [bore, later]
    finally:
        store.close()


def test_corrected_events_of_a_recording_are_dropped() -> None:
    def event(at_s: int, kind: str, hammer: str = "HB-01", **fields: object) -> Event:
        return Event("fennick-hollow", hammer, kind, at_s * SECOND, fields)

    first, bore, second = (
        event(1, "inspection", bore_mm=1.0),
        event(1, "inspection", "HB-02"),
        event(5, "work"),
    )
    right = event(1, "inspection", bore_mm=140.0, corrects=reference_to(first))
    withdrawal = event(9, "withdrawal", corrects=reference_to(second))
    assert drop_corrected([first, bore, second, right]) == [bore, second, right]
    assert drop_corrected([first, bore, second, right, withdrawal]) == [bore, right]
    assert drop_corrected([withdrawal, second]) == [second]
    # The replacement has the reference of the event it replaced, and can be withdrawn by it.
    assert drop_corrected([first, bore, right, event(9, "withdrawal", corrects=reference_to(right))]) == [
        bore
    ]
