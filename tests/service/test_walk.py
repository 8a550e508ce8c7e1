"""The way from a message to an alert stays short enough to be read: `python -m tests.long.walk` prints it."""

from pathlib import Path

from tests.long.walk import walks


def test_a_turn_leads_through_few_files_and_one_that_raises_an_alert_through_few_more(tmp_path: Path) -> None:
    raised, ordinary = walks(tmp_path)
    assert {"engine/pipeline.py", "storage/commit/store.py"} <= ordinary.files
    assert {"engine/lifecycle.py", "storage/outbox/writer.py"} <= raised.files - ordinary.files
    assert ordinary.changes <= 66
    assert len(ordinary.files) <= 32
    assert raised.changes <= 97
    assert len(raised.files) <= 45
