"""A stream on Spark as a process (`local[2]`, files): the alerts of a replay, also where it is killed in between.

Needs `pip install -e '.[spark]'` and Java 17: `python -m pytest tests/long/fleet`.
"""

import re
from pathlib import Path

from tests.long.fleet.kills import LIMIT_S, Trial, run


def test_a_killed_stream_continues_without_missing_or_repeating_an_alert(tmp_path: Path) -> None:
    result = run(tmp_path, kills=1, per_file=270)
    assert result.passed, result
    assert of_spark(tmp_path) == []


PATCHED = """
import sys
from pathlib import Path
from strikewatch.cli.main import main
from strikewatch.errors import StoreError
from strikewatch.fleet.streaming import query, run

class Shards(query.Shards):
    def handleInputRows(self, key, rows, timerValues):
        {work}

query.Shards = Shards
run.STOP_S = 0.1
sys.exit(main())
"""
"""The command with workers that do something else."""


def of_spark(folder: Path) -> list[str]:
    """Return the lines of a stream's log that are not its own."""
    lines = (folder / "log").read_text(encoding="utf-8").splitlines()
    return [line for line in lines if not re.match(r"\d{4}-\d\d-\d\dT\S+Z \[", line)]


def test_a_stop_in_the_midst_of_a_micro_batch_leaves_no_error(tmp_path: Path) -> None:
    trial, begun = Trial(tmp_path), tmp_path / "begun"
    trial.send(0, 10)
    work = f"import time; Path({str(begun)!r}).touch(); time.sleep(600)"
    trial.start("-c", PATCHED.format(work=work))
    trial.wait(begun.exists)
    assert trial.stop() == 0
    assert of_spark(tmp_path) == []


def test_a_stream_ends_with_the_reason_that_a_worker_gives(tmp_path: Path) -> None:
    """Also where the text of the error, with its stack traces, is long."""
    trial = Trial(tmp_path)
    trial.send(0, 10)
    work = "raise StoreError('state of unknown layout: begin with a new checkpoint') from ValueError('x' * 20_000)"
    trial.start("-c", PATCHED.format(work=work))
    assert trial.process is not None
    assert trial.process.wait(LIMIT_S) == 1
    assert of_spark(tmp_path)[-1] == (
        "strikewatch: the stream has failed: state of unknown layout: begin with a new checkpoint; when started again, "
        "it continues from its checkpoint"
    )
    assert "StackOverflowError" not in (tmp_path / "log").read_text(encoding="utf-8")
