"""A stream on Spark (`local[2]`, files): the alerts of a replay, also where it is killed in between."""

import shutil
from pathlib import Path

import pytest

from tests.long.fleet.kills import run

pytest.importorskip("pyspark", reason="strikewatch[spark] is not installed")
pytestmark = pytest.mark.skipif(shutil.which("java") is None, reason="Java is not installed")


def test_a_killed_stream_continues_without_missing_or_repeating_an_alert(tmp_path: Path) -> None:
    result = run(tmp_path, kills=1, shift="hired-out", per_file=180)
    assert result.passed, result
    log = (tmp_path / "log").read_text(encoding="utf-8")
    lines = [line for line in log.splitlines() if "[info" not in line and "[warning" not in line]
    assert lines == []  # of Spark, nothing
