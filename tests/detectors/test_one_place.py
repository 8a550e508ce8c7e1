"""Everything that other packages know about a fault comes from its `Fault` and its detector."""

import subprocess
import sys

from strikewatch.detectors.registry import COMMON, DETECTORS, FAULTS, MISUSE


def test_a_fault_added_by_the_recipe_reaches_review_filters_page_coaching_and_reference() -> None:
    """In a separate process, since all of these are derived on import."""
    command = [sys.executable, "-W", "error", "-m", "tests.detectors.overspeed"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.stdout.splitlines()[-1:], done.returncode) == (["found everywhere"], 0), done.stderr


def test_fault_names_are_unique_and_every_operator_fault_is_in_the_review() -> None:
    names = [fault.name for detector in DETECTORS for fault in detector.faults]
    assert len(names) == len(set(names)) == len(FAULTS)
    assert sorted((*COMMON, *MISUSE)) == sorted(name for name, fault in FAULTS.items() if fault.of_operator)


def test_the_review_uses_only_evidence_that_the_fault_has() -> None:
    for fault in FAULTS.values():
        used = {highlight.evidence for highlight in fault.highlights} | (
            {fault.duration} if fault.duration else set()
        )
        assert used <= fault.evidence.keys(), fault.name
