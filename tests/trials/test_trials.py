"""Every trial's short form in each run of the tests; `python -m tests.trials` is the whole, with a table."""

from pathlib import Path

import pytest

from tests.trials.every import EVERY
from tests.trials.table import shown


@pytest.mark.parametrize("name", EVERY)
def test_what_had_to_hold_held(tmp_path: Path, name: str) -> None:
    lines = list(EVERY[name].run(tmp_path, EVERY[name].short))
    assert lines
    assert not any(line.broken for line in lines), "\n".join(shown(line) for line in lines)
