"""The demo as a new user runs it: a real broker, gateways, processor and webhook, for a few seconds, and Ctrl-C."""

import signal
import subprocess
import sys

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
    demo = subprocess.Popen([*COMMAND], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert demo.stdout is not None
    for line in demo.stdout:
        if "blank_firing" in line or "same_spot" in line:
            break
    demo.send_signal(signal.SIGINT)
    remaining, errors = demo.communicate(timeout=60)
    assert demo.returncode == 0, errors
    assert "By fault:" in remaining
    assert "Traceback" not in errors
