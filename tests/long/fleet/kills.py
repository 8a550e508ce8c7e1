"""A stream killed again and again: the alerts of one that was not, none missing and none twice.

A recorded shift arrives as files of messages. The process and everything it has started are killed with SIGKILL at
random instants, and start again from the checkpoint.
"""

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import create_engine, select

from strikewatch.fleet.spark import CONF
from strikewatch.storage.schema import tables
from tests.fleet.messages import Sent, alerts_of, messages_of
from tests.goldens.bless import GOLDEN, SHIFTS

SHARDS = "4"
SHORT_JVM = {"spark.driver.extraJavaOptions": "-XX:TieredStopAtLevel=1 -XX:+UseSerialGC"}
"""Options of a JVM that lives for seconds: without the compiler that pays only later."""
LIMIT_S = 600.0
"""What takes longer has failed. A busy machine takes a minute for what a free one does in ten seconds."""


@dataclass
class Result:
    """What a trial found. `twice`: steps that are queued more than once for an endpoint."""

    kills: int
    expected: int
    missing: int
    extra: int
    twice: int
    seconds: float

    @property
    def passed(self) -> bool:
        return not (self.missing or self.extra or self.twice)


class Trial:
    """A stream in a folder. `shift`: sent in files of `per_file` messages, all before it starts, or as it runs."""

    def __init__(self, folder: Path, shift: str = "hired-out", per_file: int = 40) -> None:
        self.folder = folder
        self.shift = shift
        self.incoming = folder / "incoming"
        self.incoming.mkdir()
        self.messages: list[Sent] = messages_of(SHIFTS / shift)
        self.per_file = per_file
        self.begun = time.time() - 60
        self.process: subprocess.Popen[bytes] | None = None
        (folder / "strikewatch.toml").write_text(
            f'[store]\npath = "{folder / "watch.db"}"\n[recording]\nfolder = "{folder / "recordings"}"\n'
            # nobody listens: the messages wait in the outbox, where they can be counted
            '[[webhooks]]\nname = "site"\nurl = "http://127.0.0.1:9/hook"\nallow_private = ["127.0.0.0/8"]\n'
            f'secret_file = "{folder / "secret"}"\n',
            encoding="utf-8",
        )
        (folder / "conf").mkdir()
        (folder / "conf" / "spark-defaults.conf").write_text(
            "".join(f"{name} {value}\n" for name, value in SHORT_JVM.items()), encoding="utf-8"
        )
        shutil.copy(CONF / "log4j2.properties", folder / "conf")
        (folder / "secret").write_text("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", encoding="utf-8")

    def send(self, first: int, last: int) -> None:
        """Move a file of messages into the folder."""
        lines = [
            json.dumps({"topic": topic, "value": payload.decode(), "offset": k})
            for k, (_, topic, payload) in enumerate(self.messages[first:last], first)
        ]
        new = self.incoming / f".{first:06}.json"
        new.write_text("\n".join(lines) + "\n", encoding="utf-8")
        at = self.begun + first / 1000  # Spark reads files in order of their times, to the millisecond
        os.utime(new, (at, at))
        new.replace(self.incoming / f"{first:06}.json")

    def feed(self, pause_s: float) -> threading.Thread:
        """Send everything from a thread, one file after another."""

        def run() -> None:
            for first in range(0, len(self.messages), self.per_file):
                self.send(first, first + self.per_file)
                time.sleep(pause_s)

        thread = threading.Thread(target=run)
        thread.start()
        return thread

    def start(self, *program: str) -> None:
        """Start the stream in a process group of its own. `program`: arguments of Python instead of the command's."""
        command = [
            *(sys.executable, *(program or ("-m", "strikewatch.cli.main")), "fleet", "stream"),
            *("--files", str(self.incoming), "--checkpoint", str(self.folder / "checkpoint")),
            *("--config", str(self.folder / "strikewatch.toml"), "--master", "local[2]"),
            *("--shards", SHARDS, "--batch-limit", "1", "--trigger", "0.2"),
        ]
        with (self.folder / "log").open("ab") as log:
            environment = {**os.environ, "SPARK_CONF_DIR": str(self.folder / "conf")}
            self.process = subprocess.Popen(
                command, stdout=log, stderr=log, env=environment, start_new_session=True
            )

    def kill(self) -> None:
        """Kill the driver, Spark and its workers at once."""
        assert self.process is not None
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def stop(self) -> int:
        """Stop the stream as a supervisor would; return its exit code."""
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(LIMIT_S)

    @property
    def batches(self) -> int:
        """The number of micro-batches that are complete."""
        return len(list((self.folder / "checkpoint" / "commits").glob("[0-9]*")))

    @property
    def files_read(self) -> int:
        """The number of files that micro-batches have taken so far."""
        seen = set()
        for log in (self.folder / "checkpoint" / "sources" / "0").glob("[0-9]*"):
            for line in log.read_text(encoding="utf-8").splitlines()[1:]:
                seen.add(json.loads(line)["path"])
        return len(seen)

    def wait(self, done: Callable[[], bool], limit_s: float = LIMIT_S) -> None:
        """Wait until something is done. Raises RuntimeError with the log if the stream ends before, or on timeout."""
        assert self.process is not None
        deadline = time.monotonic() + limit_s
        while not done():
            if self.process.poll() is not None or time.monotonic() > deadline:
                raise RuntimeError((self.folder / "log").read_text(encoding="utf-8")[-4000:])
            time.sleep(0.1)

    def wait_for_all(self) -> None:
        """Wait until every file has been read, and the micro-batch after the last one is complete."""
        files = -(-len(self.messages) // self.per_file)
        self.wait(lambda: self.files_read == files)
        started = max(int(path.name) for path in (self.folder / "checkpoint" / "offsets").glob("[0-9]*"))
        self.wait((self.folder / "checkpoint" / "commits" / str(started + 1)).exists)

    def result(self, kills: int, seconds: float) -> Result:
        """Compare the database with the shift's golden alerts."""
        lines = (SHIFTS / self.shift / GOLDEN).read_text(encoding="utf-8").splitlines()
        expected = set(alerts_of(json.loads(line) for line in lines))
        engine = create_engine(f"sqlite:///{self.folder / 'watch.db'}")
        with engine.connect() as connection:
            records = [json.loads(record) for record in connection.scalars(select(tables.alerts.c.record))]
            steps = Counter(
                tuple(row)
                for row in connection.execute(
                    select(tables.outbox.c.site, tables.outbox.c.alert_id, tables.outbox.c.step)
                )
            )
        engine.dispose()
        # silence goes on for longer than the recording
        records = [r for r in records if r["fault"] != "signal_lost" or r["cleared"] is not None]
        found = set(alerts_of(records))
        twice = sum(count - 1 for (_, _, step), count in steps.items() if step != "escalated")
        return Result(kills, len(expected), len(expected - found), len(found - expected), twice, seconds)


def run(
    folder: Path, kills: int, seed: int = 1, shift: str = "hired-out", per_file: int | None = None
) -> Result:
    """Send a shift to a stream that is killed so many times; return what its database holds at the end.

    `per_file`: messages a file; None: so many that there are two files, and so two micro-batches, for each kill.
    """
    if per_file is None:
        per_file = max(len(messages_of(SHIFTS / shift)) // (2 * kills), 1)
    trial, chance = Trial(folder, shift, per_file), random.Random(seed)
    begin = time.monotonic()
    for first in range(0, len(trial.messages), per_file):
        trial.send(first, first + per_file)
    for _ in range(kills):
        before = trial.batches
        trial.start()
        trial.wait(lambda before=before: trial.batches > before)
        time.sleep(chance.uniform(0.0, 1.5))  # in the midst of a later micro-batch
        trial.kill()
    trial.start()
    trial.wait_for_all()
    if code := trial.stop():
        raise RuntimeError(f"exit code {code}: {(folder / 'log').read_text(encoding='utf-8')[-4000:]}")
    return trial.result(kills, time.monotonic() - begin)
