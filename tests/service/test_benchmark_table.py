"""The table of the benchmarks: which figures are worse than those recorded."""

from pathlib import Path

import pytest

from tests.long.benchmarks import table
from tests.long.benchmarks.table import Line, Measured


@pytest.mark.parametrize(
    ("goal", "ratio", "cpu_us", "worse"),
    [
        ("<= 2", 1.2, None, False),
        ("<= 2", 1.4, None, True),
        ("<= 2", 0.5, None, False),
        (">= 2", 0.8, None, False),
        (">= 2", 0.7, None, True),
        (">= 2", 9.0, None, False),
        ("<= 2", 1.0, 0.12, False),
        ("<= 2", 1.0, 0.14, True),
    ],
)
def test_a_figure_is_worse_beyond_noise_in_the_direction_of_its_goal(
    goal: str, ratio: float, cpu_us: float | None, worse: bool
) -> None:
    line = Line("replay, live: 3 M rows/s", "replay / reading", ratio, goal, cpu_us)
    assert line.worse({"ratio": 1.0, "cpu_us": 0.1}) is worse
    assert not line.worse({})


def test_what_depends_on_the_machine_only_is_never_worse() -> None:
    line = Line("sum alone: least of 15", "ns a row", 5.0, "", reference=True)
    assert not line.worse({"ratio": 1.0})
    assert line._replace(reference=False).worse({"ratio": 1.0})


def test_a_ratio_is_that_of_most_turns() -> None:
    """A load in a few turns, which delays only what uses both cores, moves it little."""
    replay = Measured([1.0, 1.1, 4.0, 1.0, 0.9], [1.8, 2.0, 2.2, 1.9, 1.7])
    reading = Measured([1.0, 1.0, 1.0, 1.0, 1.0], [1.0] * 5)
    assert replay.cpu_over(reading) == 1.9
    assert replay.over(reading) == 1.0
    assert replay.cores == pytest.approx(1.8, abs=0.1)
    line = replay.alone("replay alone", 10**9)
    assert (line.name, line.ratio, line.worse({"ratio": 0.6})) == ("replay alone", 1.7, True)


def test_figures_are_read_as_recorded_and_other_parts_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(table, "RECORDED", tmp_path / "recorded.toml")
    assert table.read_recorded() == {}
    lines = [
        Line('a "quoted" name: 5 s', "of 4 s", 1.25, "< 1", 0.5),
        Line("other: 2 s", "of 4 s", 0.5, "< 1"),
    ]
    table.write_recorded({"b": {one.name: one.figures() for one in lines}})
    table.write_recorded({"f": {"--help": {"ratio": 0.3}}})
    recorded = table.read_recorded()
    assert recorded == {
        "b": {'a "quoted" name': {"ratio": 1.25, "cpu_us": 0.5}, "other": {"ratio": 0.5}},
        "f": {"--help": {"ratio": 0.3}},
    }
    slower = [lines[0], lines[1]._replace(ratio=0.7)]
    assert table.show("(b)", slower, recorded["b"]) == ["other"]
    assert "worse" in capsys.readouterr().out
