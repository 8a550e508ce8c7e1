"""The result of a step: findings are made from records when they are needed, and can be dropped after use."""

from pathlib import Path

from strikewatch.core.batch import Batch, Portion, Rows
from strikewatch.demo.shifts import SETTINGS
from strikewatch.engine import grouping
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.step_result import StepResult
from strikewatch.settings.tree import load
from strikewatch.sources.recordings import open_shifts

SHIFT = Path(__file__).parents[2] / "replay_data" / "full-bench"
KEY = ("fennick-hollow", "HB-01")


def whole_shift() -> StepResult:
    """Return the step that takes all rows of a hammer with every sensor at once."""
    (shift,) = open_shifts(SHIFT)
    rows = Rows.join([rows for key, rows in shift.pieces() if key == KEY])
    pipeline = Pipeline(load(SHIFT / SETTINGS).of_hammer)
    return pipeline.step(Batch([Portion(KEY, rows, int(rows.time_ns[-1]))]))


def test_findings_are_in_the_order_in_which_they_became_true() -> None:
    """Those about the hammer's position too, which are grouped apart."""
    result = whole_shift()
    times = [finding.at for finding in result.findings]
    assert times == sorted(times)
    assert len(times) == len(result.found) + len(result.combined)
    causes = {cause.faults[0].name for cause in grouping.CAUSES}
    assert {finding.fault in causes for finding in result.combined} == {True}
    assert not any(finding.fault in causes for finding in result.findings if finding not in result.combined)


def test_without_findings_everything_measured_is_left() -> None:
    result = whole_shift()
    kept = result.without_findings()
    assert result.findings
    assert kept.findings == []
    # by text, as unknown numbers are NaN
    assert repr([*kept.bouts(), *kept.stretches()]) == repr([*result.bouts(), *result.stretches()])
    assert list(kept.bouts())
