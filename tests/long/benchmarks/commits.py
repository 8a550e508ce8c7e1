"""(g) What the transaction of a step costs that raises an alert, against one that raises none, over both databases.

Far apart: an alert in ten minutes, so that no storm is near. Close: fifty a second, each told by itself.
"""

import itertools
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from sqlalchemy import URL

from strikewatch.core.alert import Alert, Change
from strikewatch.core.batch import Rows
from strikewatch.core.instant import SECOND
from strikewatch.engine.flood import Settings
from strikewatch.storage.commit.step import StepRecord
from strikewatch.storage.commit.store import Store
from tests.long.benchmarks import data
from tests.long.benchmarks.table import Line, median_s
from tests.postgresql import Postgresql
from tests.service.processor import NO_STORMS

STEPS = 300
"""In each trial."""
START = 1_772_608_500 * SECOND
STATE = b"x" * 1000


def steps(every_ns: int, raising: bool) -> Iterator[StepRecord]:
    """Return steps with one row each, and with the alert that it raises."""
    site, hammer = data.KEY
    for k in itertools.count():
        at = START + k * every_ns
        row = Rows(np.array([at]), {"pressure_bar": np.array([140.0])})
        changes: list[Change] = []
        if raising:
            alert = Alert("hot_oil", site, hammer, "op-14", "medium", at)
            changes.append(Change("raised", site, hammer, alert.id, alert.record(), at))
        yield StepRecord(at, rows=[(data.KEY, row)], states={data.KEY: STATE}, layout="l", changes=changes)


def raised_and_quiet_s(where: list[Path] | list[URL], every_ns: int, alarms: Settings) -> tuple[float, float]:
    """Median seconds of a commit of each kind, each in a database of its own."""
    stores = [Store(one, {"office": "http://office.test/"}, alarms=alarms) for one in where]
    works = [steps(every_ns, raising) for raising in (True, False)]

    def commit(store: Store, work: Iterator[StepRecord]) -> None:
        for step in itertools.islice(work, STEPS):
            store.commit(step)

    try:
        raised, quiet = median_s(
            lambda: commit(stores[0], works[0]),
            lambda: commit(stores[1], works[1]),
        )
    finally:
        for store in stores:
            store.close()
    return raised / STEPS, quiet / STEPS


def lines() -> list[Line]:
    found = []
    spread = (("far apart", 600 * SECOND, Settings()), ("close", SECOND // 50, Settings(**NO_STORMS)))
    with tempfile.TemporaryDirectory() as folder, Postgresql() as server:
        for what, every_ns, alarms in spread:
            files = [Path(folder) / f"{what}-{k}.db" for k in range(2)]
            for kind, where in (("SQLite", files), ("PostgreSQL", [server.database(), server.database()])):
                raised, quiet = raised_and_quiet_s(where, every_ns, alarms)  # type: ignore[arg-type] # one kind each
                what_ms = (
                    f"{kind}, alerts {what}: {1e3 * raised:.2f} ms a step (without {1e3 * quiet:.2f} ms)"
                )
                found.append(Line(what_ms, "raising / quiet", raised / quiet, ""))
    return found
