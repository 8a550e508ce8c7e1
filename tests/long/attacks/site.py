"""A site under attack: broker, processor, twelve honest hammers and a foreman's receiver, each a process of its own."""

import contextlib
import http.client
import json
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from tests.long.attacks.attack import Attack, Reports
from tests.long.attacks.honest import HAMMERS
from tests.long.attacks.processor import Processor, resident_mib
from tests.long.attacks.shipped import ShippedBroker
from tests.long.attacks.witness import Witness

WORSE = ("warning", "error", "critical")
FIRST_ALERT_S = 60.0
STEADY_S, STEADY_MIB, STEADY_WITHIN_S = 2.0, 0.5, 30.0
WARM_ALERTS = 2
"""Alerts that must have come before anything is measured."""


class Site:
    """`broker`, `processor` and `witness`, all running. `plain_restart_s`: how long a restart takes."""

    def __init__(self, folder: Path, attack: Attack) -> None:
        self.folder = folder
        self._closing = contextlib.ExitStack()
        try:
            self.broker = self._closing.enter_context(ShippedBroker(folder))
            self.witness = Witness(self.broker)
            self._closing.callback(self.witness.close)
            self.misbehaving = [self._closing.enter_context(misbehaving(how)) for how in attack.receivers]
            self.processor = Processor(
                folder / "processor",
                self.broker,
                self.witness.url,
                self.misbehaving,
                attack.settings,
                attack.program,
            )
            self._closing.callback(self.processor.close)
            self.processor.start()
            self.witness.go()
            warm = self.witness.wait(lambda: len(self.witness.came) >= WARM_ALERTS, FIRST_ALERT_S)
            assert warm, f"no alert came before the attack:\n{self.processor.log()[-4000:]}"
            # A start with a recording to write loads the libraries for it, once: that is not the attack's memory.
            self.plain_restart_s = self.processor.restart()
            self.plain_restart_cpu_s = self.processor.start_cpu_s
            self.get("/")
            came = len(self.witness.came)
            assert self.witness.wait(lambda: len(self.witness.came) >= came + WARM_ALERTS, FIRST_ALERT_S)
            self._steady()
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        self._closing.close()

    def _steady(self) -> None:
        """Wait until the processor's memory no longer grows."""
        deadline, last = time.monotonic() + STEADY_WITHIN_S, 0.0
        while time.monotonic() < deadline and (now := resident_mib(self.processor.pid)) > last + STEADY_MIB:
            last = now
            time.sleep(STEADY_S)

    def get(
        self, path: str, headers: Mapping[str, str] | None = None, timeout_s: float = 30.0
    ) -> tuple[int, bytes]:
        """Ask the page; status and body, redirects as they are. Status 0: no answer."""
        line = http.client.HTTPConnection("127.0.0.1", self.processor.http_port, timeout=timeout_s)
        try:
            line.request("GET", path, headers=dict(headers or {}))
            answer = line.getresponse()
            return answer.status, answer.read()
        except (OSError, http.client.HTTPException) as error:
            return 0, str(error).encode()
        finally:
            line.close()

    def rejects(self) -> Counter[str]:
        """Rejected data so far, by reason."""
        return Counter(dict(self.processor.query("select reason, n from reject_counts")))

    def honest_events(self) -> int:
        """Events of the honest hammers in the database."""
        names = ", ".join(f"'{name}'" for name in HAMMERS)
        sql = f"select count(*) from events where kind = 'sign_on' and hammer in ({names})"
        ((n,),) = self.processor.query(sql)
        return int(n)

    def worked_through(self, hammer: str) -> int:
        """The instant up to which a hammer's rows are committed; 0 before the first."""
        sql = f"select substr(state, 1, 8) from hammer_state where hammer = '{hammer}'"
        found = self.processor.query(sql)
        return int.from_bytes(found[0][0], "little", signed=True) if found else 0

    def log_size(self) -> int:
        return len(self.processor.log())

    def reported(self, since: float, log_from: int, rejects_before: Counter[str]) -> Reports:
        """What was reported since."""
        return Reports(
            log=self._logged(log_from),
            alert=self.witness.others(since),
            rejects=self.rejects() - rejects_before,
            page=self._shown(),
        )

    def _logged(self, log_from: int) -> Counter[str]:
        """Warnings and worse, by event; what is not JSON counts as itself, since nobody's parser reads it."""
        found: Counter[str] = Counter()
        for line in self.processor.log()[log_from:].splitlines():
            try:
                reported = json.loads(line)
            except ValueError:
                found["(not JSON)"] += 1
                continue
            if reported.get("level") in WORSE:
                found[reported["event"]] += 1
        return found

    def _shown(self) -> str:
        status, body = self.get("/readyz", timeout_s=10.0)
        try:
            ready = json.loads(body)
            text = "ready" if ready["ready"] else f"not ready: {', '.join(ready['reasons'])}"
        except (ValueError, KeyError):
            text = f"readyz {status or 'no answer'}"
        status, body = self.get("/api/v1/rejects", timeout_s=10.0)
        if status == 200:
            text += f"; {len(json.loads(body)['rejects'])} problems with data listed"
        return text


@contextlib.contextmanager
def misbehaving(how: str) -> Iterator[str]:
    """Start a webhook receiver that misbehaves in the way `how`; yield its address."""
    command = [sys.executable, "-m", "tests.long.attacks.receivers", how]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.kill()


def wait_until(what: Any, within_s: float, every_s: float = 0.2) -> bool:
    """Wait until `what` returns true; return whether it did."""
    deadline = time.monotonic() + within_s
    while not what():
        if time.monotonic() > deadline:
            return False
        time.sleep(every_s)
    return True
