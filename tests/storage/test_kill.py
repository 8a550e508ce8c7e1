"""After kill -9 during commits, each step is stored completely or not at all, and every acknowledged one is stored."""

import os
import random
import signal
import time
from pathlib import Path

from sqlalchemy import text

from strikewatch.storage.commit import spool
from strikewatch.storage.commit.store import Store
from tests.storage.elsewhere import ENDPOINTS, commit_steps, started


def test_after_a_kill_each_step_is_stored_completely_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "watch.db"
    chance = random.Random(7)
    acknowledged = 0
    for _ in range(5):
        process, steps = started(commit_steps, path)
        for _ in range(chance.randint(5, 15)):
            acknowledged = steps.recv()
        time.sleep(chance.uniform(0, 0.01))
        os.kill(process.pid, signal.SIGKILL)
        process.join()
        try:
            while True:
                acknowledged = steps.recv()
        except (EOFError, OSError):  # the kill may have cut the last one off
            steps.close()
    store = Store(path, ENDPOINTS)
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
