"""Read the present from a processor's saved states: evidence of active alerts, and faults that cannot be found."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from strikewatch.core.alert import alert_id
from strikewatch.core.batch import NO_ROWS, Batch, Key, Portion
from strikewatch.core.finding import Finding
from strikewatch.detectors import coverage
from strikewatch.detectors.kernels import NEVER
from strikewatch.engine.pipeline import HammerSettings, Pipeline


class CurrentEvidence:
    """Restore each hammer's detectors from saved state and report on them, as at the end of a recording."""

    def __init__(self, settings_of: Callable[[Key], HammerSettings]) -> None:
        self._pipeline = Pipeline(settings_of)
        self._active: dict[tuple[str, str], Finding] = {}
        self.silent: dict[Key, Sequence[tuple[str, str]]] = {}
        """(fault, reason) of each fault that the hammer's feed and profile do not let be found."""
        self.uncertain: dict[Key, Sequence[tuple[str, str]]] = {}
        """(fault, reason) of each fault that can only be inferred."""

    def load(self, key: Key, layout: str, state: bytes) -> None:
        """Restore a hammer's saved state."""
        lost = self._pipeline.restore(key, layout, state)
        upto = self._pipeline.watermark(key)
        if upto == NEVER:
            return
        if coverage.NAME not in lost:
            self.silent[key] = self._pipeline.unmonitored_faults(key)
            self.uncertain[key] = self._pipeline.inferred_faults(key)
        report = self._pipeline.step(Batch([Portion(key, NO_ROWS, upto)]), report=True)
        for finding in report.findings:
            if finding.step == "standing":
                self._active[key[0], alert_id(key[1], finding.fault, finding.onset)] = finding

    def updated(self, record: Mapping[str, Any]) -> Mapping[str, Any]:
        """Return an alert record, with current evidence if the alert is active."""
        finding = self._active.get((record["site"], record["id"]))
        if finding is None or record["cleared"] is not None:
            return record
        evidence, summary = finding.describe()
        return {**record, "evidence": evidence, "summary": summary}
