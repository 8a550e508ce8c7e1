"""Every trial's short form in each run of the tests; `python -m tests.long.trials` is the whole, with a table."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.long.trials.every import EVERY
from tests.long.trials.table import shown, table
from tests.long.trials.trial import Line, Trial, broken


@pytest.mark.parametrize("name", EVERY)
def test_what_had_to_hold_held(tmp_path: Path, name: str) -> None:
    lines = list(EVERY[name].run(tmp_path, EVERY[name].short))
    assert lines
    assert not any(line.broken for line in lines), "\n".join(shown(line) for line in lines)


def test_the_table_tells_what_did_not_hold_and_goes_on_after_an_error() -> None:
    def good(_folder: Path, scale: float) -> Iterator[Line]:
        yield Line("nothing", {"share": scale}, broken(alerts_missing=0))

    def bad(_folder: Path, _scale: float) -> Iterator[Line]:
        yield Line("something", {"alerts": 2000}, broken(alerts_missing=3))

    def ends(_folder: Path, _scale: float) -> Iterator[Line]:
        raise ZeroDivisionError
        yield

    said: list[str] = []
    trials = [Trial(one.__name__, "all is well", one, 1.0) for one in (good, bad, ends)]
    assert table(trials[:1], 0.5, said.append)
    assert not table(trials[1:2], 1.0, said.append)
    assert not table([trials[2], trials[0]], 1.0, said.append)
    text = "\n".join(said)
    assert "share 0.5" in text
    assert "NOT HELD  something" in text
    assert "alerts 2,000" in text
    assert "! 3 alerts missing" in text
    assert "ZeroDivisionError" in text
    assert text.count("held      nothing") == 2
