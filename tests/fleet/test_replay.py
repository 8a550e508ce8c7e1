"""A fleet replayed in any number of runs equals one replay of all recordings, and a failed run changes nothing."""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, Phase, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from strikewatch.core.batch import Rows
from strikewatch.errors import InputError, Refused
from strikewatch.fleet.compact import compact
from strikewatch.fleet.folder import FleetFolder
from strikewatch.fleet.recordings import Recording
from strikewatch.fleet.replay import Workers, plan, replay_fleet, segments
from strikewatch.settings.tree import load
from strikewatch.sources.hammer_buffer import HammerBuffer
from tests.fleet.fleet import SHIFTS, Found, held, whole


@pytest.fixture(scope="module")
def expected() -> Found:
    return whole(SHIFTS)


def test_the_tables_hold_what_a_replay_finds(expected: Found, tmp_path: Path) -> None:
    """Alert records byte for byte, bouts and stretches bit for bit, over shifts with settings of their own."""
    replay_fleet([SHIFTS], tmp_path / "fleet", load())
    assert held(tmp_path / "fleet") == expected
    assert len(expected["alerts"]) > 100


@pytest.mark.parametrize("backwards", [False, True])
def test_runs_shift_by_shift_equal_one_run_over_all(expected: Found, tmp_path: Path, backwards: bool) -> None:
    """In either order of names; most of the shifts then arrive late for some hammers."""
    replaced = 0
    for path in sorted(filter(Path.is_dir, SHIFTS.iterdir()), reverse=backwards):
        replaced += replay_fleet([path], tmp_path / "fleet", load()).replaced
    assert replaced
    assert held(tmp_path / "fleet") == expected


DAYS = ("2026-01-30", "2026-01-31", "2026-02-01", "2026-03-02")


def record(folder: Path, day: str, hammers: Sequence[str] = ("HB-01", "HB-02"), seed: int = 0) -> Path:
    """Write an invented recording: 20 minutes of work in random bouts, and oil that gets hot."""
    rng = np.random.default_rng([seed, DAYS.index(day)])
    seconds = np.arange(1200)
    frames = [
        pd.DataFrame(
            {
                "time": pd.Timestamp(f"{day}T07:00Z") + pd.to_timedelta(seconds, "s"),
                "site": "fennick-hollow",
                "hammer": hammer,
                "active": np.repeat(rng.random(60) < 0.5, 20),
                "pressure_bar": 140.0 + rng.normal(size=1200),
                "oil_c": 70.0 + seconds / 80.0,
            }
        )
        for hammer in hammers
    ]
    path = folder / "fennick-hollow" / day
    path.mkdir(parents=True, exist_ok=True)
    pd.concat(frames).to_parquet(path / "samples.parquet")
    sign_on = {"time": f"{day}T06:59:00Z", "event": "sign_on", "operator": "op-14", "hammer": "HB-01"}
    grease = {"time": f"{day}T12:00:00Z", "event": "grease", "strokes": [12, 12], "hammer": "HB-01"}
    lines = [json.dumps(event) for event in (sign_on, grease)]
    (path / "events.jsonl").write_text("\n".join(lines), encoding="utf-8")
    return path


@pytest.fixture
def recordings(tmp_path: Path) -> Path:
    for day in DAYS:
        record(tmp_path / "recordings", day)
    return tmp_path / "recordings"


@pytest.fixture(scope="module")
def expected_of_days(tmp_path_factory: pytest.TempPathFactory) -> Found:
    """What one replay of the unchanged recordings finds."""
    folder = tmp_path_factory.mktemp("recordings")
    for day in DAYS:
        record(folder, day)
    return whole(folder)


@hypothesis_settings(
    max_examples=4,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    phases=[Phase.explicit, Phase.generate],
)
@given(order=st.permutations(DAYS), cuts=st.sets(st.integers(1, 3)))
def test_any_order_and_division_into_runs_gives_the_same(
    recordings: Path, expected_of_days: Found, tmp_path: Path, order: list[str], cuts: set[int]
) -> None:
    fleet = tmp_path / "fleet"
    shutil.rmtree(fleet, ignore_errors=True)
    bounds = [0, *sorted(cuts), len(order)]
    for first, end in pairwise(bounds):
        paths = [recordings / "fennick-hollow" / day for day in order[first:end]]
        replay_fleet(paths, fleet, load(), workers=Workers(number=2))
    assert held(fleet) == expected_of_days


def test_a_second_run_replays_nothing_and_keeps_every_finished_file(
    recordings: Path, expected_of_days: Found, tmp_path: Path
) -> None:
    replay_fleet([recordings], tmp_path / "fleet", load())
    before = FleetFolder(tmp_path / "fleet").manifest()
    done = replay_fleet([recordings], tmp_path / "fleet", load())
    after = FleetFolder(tmp_path / "fleet").manifest()
    assert (done.rows, done.recordings, done.hammers) == (0, 0, 2)
    assert before is not None
    assert after is not None
    assert after.files == before.files
    assert held(tmp_path / "fleet") == expected_of_days


def test_a_changed_recording_is_replayed_with_what_follows_it(recordings: Path, tmp_path: Path) -> None:
    """Another hammer is in it now, and one is no longer."""
    replay_fleet([recordings], tmp_path / "fleet", load())
    record(recordings, DAYS[1], hammers=("HB-01", "HB-03"), seed=1)
    done = replay_fleet([recordings], tmp_path / "fleet", load())
    assert done.replaced == 2
    assert held(tmp_path / "fleet") == whole(recordings)


@pytest.mark.parametrize("live", [False, True])
def test_joined_recordings_give_what_their_parts_give(recordings: Path, tmp_path: Path, live: bool) -> None:
    """Of four days in three months, two hammers, and a day with another channel."""
    if live:
        for day in DAYS:
            path = recordings / "fennick-hollow" / day / "samples.parquet"
            table = pq.read_table(path)
            pq.write_table(table.replace_schema_metadata({"strikewatch.feed": "as it came"}), path)
    day = recordings / "fennick-hollow" / DAYS[1] / "samples.parquet"
    metadata = pq.read_schema(day).metadata
    table = pq.read_table(day)
    rpm = pa.array(np.full(len(table), 1700.0))
    pq.write_table(table.append_column("engine_rpm", rpm).replace_schema_metadata(metadata), day)
    done = compact([recordings], tmp_path / "joined")
    assert (done.joined, done.written, done.left) == (4, 8, {})
    replay_fleet([tmp_path / "joined"], tmp_path / "fleet", load())
    assert held(tmp_path / "fleet") == whole(recordings)
    with pytest.raises(InputError, match="not empty"):
        compact([recordings], tmp_path / "joined")


def test_recordings_of_a_month_become_one_file_and_others_are_left(tmp_path: Path) -> None:
    for day in ("2026-01-30", "2026-01-31"):
        record(tmp_path / "recordings", day)
    odd = record(tmp_path / "recordings", DAYS[2])
    (odd / "settings.toml").write_text("faults.same_spot.limit_s = 12.0\n")
    broken = record(tmp_path / "recordings", DAYS[3]) / "samples.parquet"
    frame = pd.read_parquet(broken)
    frame.loc[7, "time"] = pd.NaT
    frame.to_parquet(broken)
    done = compact([tmp_path / "recordings"], tmp_path / "joined", workers=Workers(number=2))
    assert (done.joined, done.written) == (2, 2)
    assert done.left[str(odd)] == "has settings of its own"
    assert "2 of 2400 rows" in done.left[str(broken.parent)]
    assert len(list((tmp_path / "joined").rglob("samples.parquet"))) == 2


def test_a_late_event_replays_the_day_it_belongs_to(recordings: Path, tmp_path: Path) -> None:
    """A recording whose rows are new holds an event of two days before."""
    late = recordings / "fennick-hollow" / DAYS[2]
    aside = tmp_path / "aside"
    shutil.move(late, aside)
    replay_fleet([recordings], tmp_path / "fleet", load())
    shutil.move(aside, late)
    event = {"time": f"{DAYS[0]}T07:10:00Z", "event": "sign_on", "operator": "op-12", "hammer": "HB-01"}
    with (late / "events.jsonl").open("a", encoding="utf-8") as file:
        file.write("\n" + json.dumps(event))
    assert replay_fleet([recordings], tmp_path / "fleet", load()).replaced == 2
    found = held(tmp_path / "fleet")
    assert found == whole(recordings)
    assert "op-12" in "".join(found["stretches"])


def test_only_the_first_rows_of_a_day_are_taken_one_by_one(
    recordings: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until the jump of the clock over the night is confirmed."""
    slow: list[int] = []
    insert = HammerBuffer.insert

    def counting(self: HammerBuffer, rows: Rows, *more: Any) -> Rows:
        slow.append(len(rows))
        return insert(self, rows, *more)

    monkeypatch.setattr(HammerBuffer, "insert", counting)
    whole(recordings)
    assert 0 < sum(slow) <= 2 * (len(DAYS) - 1) * 181


class Killed(BaseException):
    pass


@pytest.mark.parametrize("step", range(0, 24, 6))
def test_a_run_that_ends_anywhere_changes_nothing(
    recordings: Path, expected_of_days: Found, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    """It ends before, between or after moves of files; a late day makes it replace files too."""
    fleet = tmp_path / "fleet"
    days = [recordings / "fennick-hollow" / day for day in DAYS]
    replay_fleet([days[0], days[2]], fleet, load())
    before = held(fleet)
    moves = iter(range(1000))
    replace = Path.replace

    def failing(self: Path, target: Path) -> Path:
        if next(moves) == step:
            raise Killed
        return replace(self, target)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", failing)
        try:
            replay_fleet(days, fleet, load())
        except Killed:
            assert held(fleet) == before
        else:
            assert next(moves) <= step, "the run did more moves than this test reaches"
    replay_fleet(days, fleet, load())
    assert held(fleet) == expected_of_days
    manifest = FleetFolder(fleet).manifest()
    assert manifest is not None
    listed = {name for files in (manifest.files, manifest.open) for names in files.values() for name in names}
    assert {path.name for path in fleet.glob("*/*")} == listed, "files that nothing lists are left"


def test_unusable_recordings_are_listed_and_the_others_replayed(
    recordings: Path, expected_of_days: Found, tmp_path: Path
) -> None:
    broken = recordings / "fennick-hollow" / "2026-02-10"
    broken.mkdir()
    (broken / "samples.parquet").write_bytes(b"PAR1")
    done = replay_fleet([recordings], tmp_path / "fleet", load())
    assert list(done.refused) == [str(broken)]
    assert "record it again" in done.refused[str(broken)]
    assert done.recordings == len(DAYS)
    shutil.rmtree(broken)
    assert held(tmp_path / "fleet") == expected_of_days


def test_names_of_folders_give_site_and_hammer(tmp_path: Path) -> None:
    source = record(tmp_path / "plain", DAYS[0], hammers=("HB-01",)) / "samples.parquet"
    day = tmp_path / "site=fennick-hollow" / "hammer=HB-07" / f"day={DAYS[0]}"
    day.mkdir(parents=True)
    pd.read_parquet(source).drop(columns=["site", "hammer"]).to_parquet(day / "samples.parquet")
    replay_fleet([tmp_path / "site=fennick-hollow"], tmp_path / "fleet", load())
    known = FleetFolder(tmp_path / "fleet").read("counts", ["site", "hammer"]).to_pylist()
    assert {(row["site"], row["hammer"]) for row in known} == {("fennick-hollow", "HB-07")}


def test_other_settings_foreign_folders_and_a_second_run_are_refused(
    recordings: Path, tmp_path: Path
) -> None:
    fleet = tmp_path / "fleet"
    replay_fleet([recordings], fleet, load())
    with pytest.raises(InputError, match="other settings"):
        replay_fleet([recordings], fleet, load(given={"faults": {"same_spot": {"limit_s": 12.0}}}))
    with pytest.raises(InputError, match="other files"):
        replay_fleet([recordings], recordings, load())
    with FleetFolder(fleet).run(), pytest.raises(Refused, match="another run"):
        replay_fleet([recordings], fleet, load())
    with pytest.raises(InputError, match="no such file or folder"):
        replay_fleet([tmp_path / "nothing"], fleet, load())
    with pytest.raises(InputError, match="no replayed fleet here"):
        FleetFolder(tmp_path).files("alerts")


@given(
    spans=st.lists(
        st.tuples(st.integers(0, 90 * 24), st.integers(0, 40 * 24)).map(lambda s: (s[0], s[0] + s[1])),
        min_size=1,
    )
)
def test_segments_hold_every_recording_once_and_never_overlap(spans: list[tuple[int, int]]) -> None:
    hour = 3600 * 10**9
    every = [
        Recording("s", "h", str(k), "", first * hour, last * hour, 1) for k, (first, last) in enumerate(spans)
    ]
    found = segments(every)
    assert sorted(one.place for part in found for one in part) == sorted(one.place for one in every)
    for before, after in pairwise(found):
        assert max(one.last for one in before) < min(one.first for one in after)
    assert plan(every, [], {}).jobs[0].segments == tuple(found)


def test_a_state_of_an_unknown_layout_is_not_used(
    recordings: Path, expected_of_days: Found, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after an update that cannot read it: the hammers are replayed from the beginning."""
    replay_fleet([recordings], tmp_path / "fleet", load())
    with monkeypatch.context() as patched:
        patched.setattr("strikewatch.fleet.replay.readable", lambda _layout: False)
        done = replay_fleet([recordings], tmp_path / "fleet", load())
    assert (done.replaced, done.rows) == (2, len(DAYS) * 2400)
    assert held(tmp_path / "fleet") == expected_of_days


def test_spark_is_not_imported_without_a_fleet() -> None:
    """Not even where it is installed; only a session imports it."""
    code = (
        "import sys, strikewatch.cli.main as main\n"
        "from strikewatch.fleet import hammer, rates, replay, spark\n"
        "from strikewatch.cli.main import COMMANDS, load\n"
        "for name in COMMANDS: load(name)\n"
        "print([name for name in sys.modules if name.partition('.')[0] in ('pyspark', 'py4j')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


@pytest.mark.parametrize(
    ("spark", "remedy"),
    [
        ("sys.modules['pyspark'] = None", "pip install 'strikewatch[spark]'"),
        ("sys.modules |= dict.fromkeys(('pyspark', 'pyspark.sql'), NS(SparkSession=None))", "Java 17"),
    ],
    ids=["no Spark", "no Java"],
)
def test_without_spark_or_java_the_remedy_is_named(tmp_path: Path, spark: str, remedy: str) -> None:
    code = (
        f"import sys; from types import SimpleNamespace as NS; {spark}\n"
        "from strikewatch.cli.main import main; sys.exit(main())"
    )
    arguments = ["fleet", "replay", str(SHIFTS / "quiet-bench"), "--to", str(tmp_path / "f")]
    environment = {k: v for k, v in os.environ.items() if k != "JAVA_HOME"} | {"PATH": str(tmp_path)}
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False, env=environment
    )
    assert (done.returncode, remedy in done.stderr) == (2, True), done.stderr
