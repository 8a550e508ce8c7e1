"""Alerts of an invented site in a real database, raised, cleared and handled at times that the test sets."""

import json
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import URL, text

from strikewatch.core.alert import Alert, Change, Priority, Step
from strikewatch.core.instant import SECOND
from strikewatch.engine.flood import Settings
from strikewatch.storage.actions.alerts import AlertActions
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store

SITE = "fennick-hollow"
START = 1_772_608_500 * SECOND
MINUTE = 60.0
HOUR_NS = 3600 * SECOND


class AlertScenario:
    """A store with one endpoint and a wall clock set by the test. Alerts are numbered in the order raised.

    `where`: the folder of a SQLite file, or the address of an empty PostgreSQL database.
    """

    def __init__(self, where: Path | URL, **alarms: Any) -> None:
        self.path = where / "watch.db" if isinstance(where, Path) else where
        self.alarms = Settings(**alarms)
        self.now = START
        self.raised: list[Alert] = []
        self.reopened: Counter[str] = Counter()
        self.open()

    def open(self) -> None:
        self.store = Store(self.path, {"office": "http://office.test/"}, alarms=self.alarms)
        self.actions = AlertActions(self.store, 168 * HOUR_NS)

    def close(self) -> None:
        self.store.close()

    def restart(self) -> None:
        self.close()
        self.open()

    def wait(self, duration_s: float) -> None:
        """Advance the clock, then process what is due."""
        self.now += round(duration_s * SECOND)
        self.store.process_due(self.now)

    def commit(self, *changes: Change) -> None:
        states = {(SITE, f"HB-0{n}"): b"x" for n in range(1, 4)}
        self.store.commit(StepRecord(self.now, changes=changes, states=states, layout="l"))

    def raise_(
        self,
        hammer: str = "HB-01",
        fault: str = "same_spot",
        priority: Priority = "medium",
        ago_s: float = 0.0,
        **flags: Any,
    ) -> Alert:
        """Raise an alert; a second later than the last one of its fault, if that was now."""
        alert = Alert(fault, SITE, hammer, "op-14", priority, self.now - round(ago_s * SECOND))
        while any(alert.id == earlier.id for earlier in self.raised):
            alert.onset += SECOND
            self.now += SECOND
        self.raised.append(alert)
        self.commit(self.change("raised", alert, **flags))
        return alert

    def escalate(self, alert: Alert) -> None:
        alert.priority = "high"
        self.commit(self.change("escalated", alert))

    def clear(self, alert: Alert, after_s: float | None = None, **flags: Any) -> None:
        alert.cleared = self.now if after_s is None else alert.onset + round(after_s * SECOND)
        self.commit(self.change("cleared", alert, **flags))

    def reopen(self, alert: Alert) -> None:
        """Raise an alert again, as when late rows refute its clear."""
        alert.cleared = None
        self.reopened[alert.id] += 1
        self.commit(self.change("raised", alert))

    def change(self, step: Step, alert: Alert, withdrawn: bool = False, **flags: Any) -> Change:
        if withdrawn:
            alert.describe = lambda: ({"withdrawn": True}, "Withdrawn.")
        record = alert.record()
        return Change(step, SITE, alert.hammer, alert.id, record, alert.onset, alert.cleared, **flags)

    def sent(self) -> list[tuple[str, dict[str, Any]]]:
        """Return (step, body) of every message queued, in order."""
        with self.store.read() as connection:
            rows = connection.execute(text("select step, body from outbox order by seq"))
            return [(step, json.loads(body)) for step, body in rows]

    def sent_briefly(self) -> list[str]:
        """Return each message in short, with the numbers of its alerts: `raised 0`, `digest 3 4`."""
        number = {alert.id: n for n, alert in enumerate(self.raised)}
        lines = []
        for step, body in self.sent():
            records = body["alerts"] if step == "digest" else [body]
            lines.append(" ".join([step, *(str(number[record["id"]]) for record in records)]))
        return lines

    def rows(self) -> list[Mapping[str, Any]]:
        """Return the handling of each alert, in the order of their numbers."""
        with self.store.read() as connection:
            found = connection.execute(text("select * from handling")).mappings()
            by_id = {row["id"]: row for row in found}
        return [by_id[alert.id] for alert in self.raised]

    def state(self, alert: Alert) -> str:
        return self.actions.alert(alert.id).state
