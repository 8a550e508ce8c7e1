"""What other processes do with a database; each sends what it finds or has done through a connection."""

from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

from strikewatch.core.alert import Alert, Change
from strikewatch.core.batch import Rows
from strikewatch.errors import StoreError
from strikewatch.storage.commit.step import Reject, StepRecord
from strikewatch.storage.commit.store import Store
from tests.service.forked import context

ENDPOINTS = {"a": "http://a.test/", "b": "http://b.test/"}


def started(function: Callable[[Path, Connection], None], path: Path) -> tuple[Any, Connection]:
    """Run one of the functions below in another process; return it, and the connection to receive from."""
    receiving, sending = context.Pipe(duplex=False)
    process = context.Process(target=function, args=(path, sending), daemon=True)
    process.start()
    sending.close()
    return process, receiving


def open_store(path: Path, sending: Connection) -> None:
    """Open a database; send the error, empty if there is none."""
    try:
        Store(path)
    except StoreError as error:
        sending.send(str(error))
    else:
        sending.send("")


def commit_steps(path: Path, sending: Connection) -> None:
    """Commit steps with one of everything, on from the last; send the number of each."""
    store = Store(path, ENDPOINTS)
    key = ("pit", "HB-01")
    saved = store.load().states
    k = int(saved[key][1]) if key in saved else 0
    while True:
        k += 1
        alert = Alert("same_spot", *key, None, "low", k * 10**12)
        rows = Rows(np.array([k]), {"oil_c": np.array([float(k)])})
        store.commit(
            StepRecord(
                k,
                rows=[(key, rows)],
                changes=[Change("raised", *key, alert.id, alert.record(), alert.onset)],
                states={key: b"%d" % k},
                layout="l",
                rejects=[Reject("t", b"%d" % k, "bad", "")],
            )
        )
        sending.send(k)
