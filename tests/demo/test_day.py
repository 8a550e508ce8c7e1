"""The demo: what the instrumented hammers show and when; and as a new user runs it, until Ctrl-C."""

import signal
import socket
import subprocess
import sys
import threading
from itertools import takewhile
from typing import Any, cast

import pytest

from strikewatch.cli import demo_run
from strikewatch.core.batch import Batch, Portion, Rows
from strikewatch.core.finding import Finding
from strikewatch.core.instant import SECOND
from strikewatch.demo.gateways import START_NS, hammer_messages
from strikewatch.demo.site import HAMMERS, INSTRUMENTED, PROFILES
from strikewatch.engine.pipeline import Pipeline
from strikewatch.errors import SettingsError
from strikewatch.settings.tree import load
from strikewatch.sources.decode import DecodedEvent, Samples, decode


def findings_in(name: str, minutes: float) -> list[Finding]:
    """Return the findings of a hammer in the first minutes of the day."""
    until_ns = START_NS + round(minutes * 60.0) * SECOND
    parts = []
    for message in takewhile(
        lambda message: message.due_ns <= until_ns,
        hammer_messages((HAMMERS | INSTRUMENTED)[name], START_NS, 1),
    ):
        found = decode(f"strikewatch/{message.topic}", message.payload, message.due_ns, "strikewatch")
        if isinstance(found, Samples):
            assert not found.rejected
            assert not found.unknown
            parts.append(found.rows)
        else:
            assert isinstance(found, DecodedEvent)
    rows = Rows.join(parts)
    pipeline = Pipeline(load(given={"hammers": PROFILES}).of_hammer)
    return pipeline.step(Batch([Portion(("fennick-hollow", name), rows, until_ns)])).findings


@pytest.mark.parametrize(("name", "fault"), [("HB-01", "off_square"), ("HB-06", "submerged")])
def test_some_misuse_shows_in_the_first_minutes(name: str, fault: str) -> None:
    """That is within seconds at the demo's pace."""
    assert fault in {finding.fault for finding in findings_in(name, 7.0)}


def test_the_instrumented_hammers_show_every_misuse_within_an_hour() -> None:
    found = {finding.fault for name in INSTRUMENTED for finding in findings_in(name, 62.0)}
    assert found >= {
        "low_engine_speed",
        "end_of_stroke",
        "over_side",
        "off_square",
        "feed_force",
        "prying",
        "submerged",
        "grease_feed",
    }


COMMAND = (sys.executable, "-m", "strikewatch.cli.main", "demo")


def test_the_demo_shows_alerts_that_its_webhook_has_verified_and_ends_by_itself() -> None:
    done = subprocess.run(
        [*COMMAND, "--seconds", "8"], capture_output=True, text=True, timeout=120, check=True
    )
    assert "same_spot" in done.stdout
    assert "Suspected blank firing" in done.stdout
    assert "every signature checked, 0 refused" in done.stdout
    assert "Advice, never a safety function" in done.stdout
    assert "Traceback" not in done.stderr


def test_ctrl_c_ends_it_cleanly() -> None:
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # jobs in the background ignore it
    try:
        demo = subprocess.Popen([*COMMAND], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    finally:
        signal.signal(signal.SIGINT, before)
    assert demo.stdout is not None
    try:
        for line in demo.stdout:
            if "blank_firing" in line or "same_spot" in line:
                break
        demo.send_signal(signal.SIGINT)
        remaining, errors = demo.communicate(timeout=60)
    finally:
        demo.kill()
    assert demo.returncode == 0, errors
    assert "By fault:" in remaining
    assert "Traceback" not in errors


class DyingProcessor:
    """A processor that cannot open its page."""

    def __init__(self) -> None:
        self.ready = threading.Event()
        self.stop = self.ready.set

    def run(self) -> None:
        raise SettingsError([("http", "cannot listen on port 8470")])


def test_what_kills_the_processor_ends_the_demo_at_once() -> None:
    with pytest.raises(SettingsError, match="8470"), demo_run._running(cast(Any, DyingProcessor())):
        pytest.fail("the demo goes on")


@pytest.mark.usefixtures("log_restored")
def test_a_port_taken_at_the_last_moment_costs_only_another_attempt(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another program binds the free port before the demo's page does: here for the first two attempts."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        taken = other.getsockname()[1]
        ports = iter([taken, taken])
        free_port = demo_run.free_port
        monkeypatch.setattr(demo_run, "free_port", lambda _: next(ports, None) or free_port())
        demo_run.run_demo(2.0)
        assert next(ports, None) is None
