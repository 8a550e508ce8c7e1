"""After kill -9 during commits, each step is stored completely or not at all, and every acknowledged one is stored."""

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from sqlalchemy import text

from strikewatch.storage.commit import spool
from strikewatch.storage.commit.store import Store

COMMITTER = """
import sys
from pathlib import Path
import numpy as np
from strikewatch.core.alert import Alert, Change
from strikewatch.core.batch import Rows
from strikewatch.storage.commit.step import Reject, StepRecord
from strikewatch.storage.commit.store import Store

store = Store(Path(sys.argv[1]), {"a": "http://a.test/", "b": "http://b.test/"})
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
    print("step", k, flush=True)
"""


def test_after_a_kill_each_step_is_stored_completely_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "watch.db"
    chance = random.Random(7)
    acknowledged = 0
    for _ in range(5):
        with subprocess.Popen(
            [sys.executable, "-c", COMMITTER, str(path)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            assert process.stdout is not None
            lines: list[str] = []
            steps = chance.randint(5, 15)
            while sum(line.startswith("step ") for line in lines) < steps:
                lines.append(process.stdout.readline())
                assert lines[-1], process.stderr.read() if process.stderr else ""
            time.sleep(chance.uniform(0, 0.01))
            process.send_signal(signal.SIGKILL)
            lines += process.stdout
        # the kill may have cut the last line off
        acknowledged = int([line for line in lines if line.endswith("\n")][-1].split()[1])
    store = Store(path, {"a": "http://a.test/", "b": "http://b.test/"})
    with store.read() as connection:
        k = int(connection.scalar(text("select state from hammer_state")))
        spooled = connection.scalars(text("select rows from arrived order by seq")).all()
        onsets = connection.scalars(text("select onset_ns from alerts order by onset_ns")).all()
        queued = connection.scalar(text("select count(*) from outbox"))
        rejects = connection.scalars(text("select payload from rejects order by seq")).all()
        counted = connection.scalar(text("select n from reject_counts"))
        sound = connection.scalar(text("pragma integrity_check"))
    store.close()
    assert sound == "ok"
    assert k in (acknowledged, acknowledged + 1)
    assert [spool.decode(blob)[0][0][1].time_ns[0] for blob in spooled] == list(range(1, k + 1))
    assert onsets == [n * 10**12 for n in range(1, k + 1)]
    assert queued == 2 * k
    assert rejects == [b"%d" % n for n in range(1, k + 1)]
    assert counted == k
