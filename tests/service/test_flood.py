"""Malformed payloads cost nothing else: no crash, each counted and kept within bounds, every message acknowledged."""

from pathlib import Path

from tests.service.flood import KEPT, run


def test_malformed_payloads_are_counted_kept_and_acknowledged(tmp_path: Path) -> None:
    flood, worker, tally, kept = run(tmp_path, 20_000)
    assert flood.acknowledged == 20_000
    dropped = ("duplicate",)
    assert {reason: n for reason, n in tally.items() if reason not in dropped} == dict(worker.rejected)
    assert len(worker.rejected) > 12
    assert sum(worker.rejected.values()) > 10_000
    assert kept == KEPT
