"""`strikewatch convert`, and `replay --source`."""

import importlib.util
import json
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.cli.command import strikewatch
from tests.sources.logs.files import BREAKER, DBC, EEC1, Frame, candump, engine_speed

SOURCES = """
[can-logger]
file = "*.log"
payload = "can"
dbc = "breaker.dbc"
time = { as = "log" }
site = "fennick-hollow"
hammer = "HB-01"
[can-logger.channels]
engine_rpm = { named = "EngSpeed" }
active = { named = "BreakerOn" }

[cab-logger]
file = "*.csv"
payload = "table"
time = { at = "@.time", as = "iso" }
site = "fennick-hollow"
hammer = "HB-01"
[cab-logger.channels]
oil_c = "@.oil"

[telem]
topic = "v1/{site}/{hammer}/telem"
time = { at = "@.t", as = "s" }
[telem.channels]
oil_c = "@.oil"
"""
START_S = 1_772_604_900.0
FRAMES: list[Frame] = [
    frame
    for k in range(600)
    for frame in (
        (START_S + k / 10, EEC1, engine_speed(14_400)),
        (START_S + k / 10 + 0.01, BREAKER, bytes([0xFC | (100 <= k < 400)])),
    )
]
"""30 s of firing from 10 s on."""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    (tmp_path / "sources.toml").write_text(SOURCES)
    (tmp_path / "breaker.dbc").write_text(DBC)
    (tmp_path / "bench.log").write_text(candump(FRAMES))
    return tmp_path


def sources(site: Path) -> tuple[str, Path]:
    return "--sources", site / "sources.toml"


def test_a_log_becomes_a_shift(site: Path) -> None:
    done = strikewatch(
        "convert",
        site / "bench.log",
        "--source",
        "can-logger",
        "--to",
        site / "a/b",
        *sources(site),
        "--json",
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout) == {
        "folder": str(site / "a/b"),
        "records": 1200,
        "channels": ["active", "engine_rpm"],
        "events": 0,
        "hammers": [
            {
                "site": "fennick-hollow",
                "hammer": "HB-01",
                "rows": 1200,
                "from": "2026-03-04T06:15:00.000000Z",
                "to": "2026-03-04T06:15:59.910000Z",
            }
        ],
        "notes": [],
    }


def test_replay_gives_the_alerts_of_the_converted_shift(site: Path) -> None:
    """On the fly, and from a settings file that names the sources; nothing is left behind."""
    assert (
        strikewatch(
            "convert", site / "bench.log", "--source", "can-logger", "--to", site / "shift", *sources(site)
        ).returncode
        == 0
    )
    converted = strikewatch("replay", site / "shift", "--json")
    (site / "strikewatch.toml").write_text('sources_file = "sources.toml"\n')
    config = "--config", site / "strikewatch.toml"
    direct = strikewatch("replay", site / "bench.log", "--source", "can-logger", "--json", *config)
    assert direct.stdout == converted.stdout
    [alert] = [json.loads(line) for line in direct.stdout.splitlines()]
    assert (alert["fault"], alert["onset"]) == ("same_spot", "2026-03-04T06:15:25.010000Z")
    shown = strikewatch("replay", site / "bench.log", "--source", "can-logger", *config, width=140)
    assert shown.stdout.startswith(f"{site / 'bench.log'}: 1,200 rows, 1 alert")


def test_a_folder_of_logs_is_one_log(site: Path) -> None:
    """In the order of the numbers in their names; other files are not meant."""
    folder = site / "logs"
    folder.mkdir()
    for part, name in enumerate(("log_9.log", "log_10.log", "log_11.log")):
        (folder / name).write_text(candump(FRAMES[part * 400 : (part + 1) * 400]))
    (folder / "note.txt").write_text("not a log")
    done = strikewatch(
        "convert", folder, "--source", "can-logger", "--to", site / "shift", *sources(site), "--json"
    )
    assert done.returncode == 0
    assert json.loads(done.stdout)["records"] == 1200
    assert "put in order" not in done.stderr
    (folder / "log_12.csv").write_text("time,oil\n")
    empty = strikewatch("convert", site / "a", "--source", "can-logger", "--to", site / "b", *sources(site))
    assert (empty.returncode, "a: no such file or folder" in empty.stderr) == (2, True)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--source", "can-loger"], "no such source in {site}/sources.toml; did you mean can-logger?"),
        (["--source", "telem"], "--source telem: is of messages, not of files"),
        (["--source", "can-logger", "--start", "07:15"], "--start 07:15: not an RFC 3339 time"),
        (
            ["--source", "can-logger", "--sources", "{site}/gone.toml"],
            "gone.toml: no such file; name the tables",
        ),
        (
            ["--source", "cab-logger"],
            "bench.log: no column `oil`; its columns are: `(1772604900.000000) can0",
        ),
    ],
)
def test_mistakes_are_refused_with_a_remedy(site: Path, words: Sequence[str], expected: str) -> None:
    given = [word.format(site=site) for word in words]
    given += [] if "--sources" in given else [str(one) for one in sources(site)]
    done = strikewatch("convert", site / "bench.log", "--to", site / "shift", *given)
    assert (done.returncode, done.stdout) == (2, "")
    assert expected.format(site=site) in done.stderr
    assert not (site / "shift").exists()


def test_mistakes_in_the_table_of_the_source_are_listed(site: Path) -> None:
    """Those of other sources do not matter."""
    text = SOURCES.replace('oil_c = "@.oil"', 'oil_k = "@.oil"').replace('payload = "can"', 'payload = "cam"')
    (site / "sources.toml").write_text(text)
    (site / "shift.csv").write_text("time,oil\n")
    done = strikewatch(
        "convert", site / "shift.csv", "--source", "cab-logger", "--to", site / "a", *sources(site)
    )
    assert done.returncode == 2
    assert "cab-logger.channels.oil_k: is not a channel; did you mean oil_c?" in done.stderr
    assert "can-logger" not in done.stderr


def test_options_of_tables_do_not_go_with_a_source(site: Path) -> None:
    done = strikewatch(
        "replay", site / "bench.log", "--source", "can-logger", *sources(site), "--zone", "UTC"
    )
    assert (done.returncode, "leave out --column, --as-hammer" in done.stderr) == (2, True)
    done = strikewatch("replay", site / "bench.log", "--start", "2026-03-04T07:15:00Z")
    assert (done.returncode, "belong to --source" in done.stderr) == (2, True)


@pytest.mark.parametrize(
    ("name", "content", "library", "expected"),
    [
        ("bench.log", b"(1772604900.1) can0 0CF00400#00\n", "cantools", "pip install 'strikewatch[can]'"),
        ("bench.mf4", b"MDF     4.10    ", "asammdf", "pip install 'strikewatch[mdf]'"),
        ("shift.xlsx", b"PK\x03\x04", "python_calamine", "pip install 'strikewatch[excel]'"),
    ],
)
def test_a_missing_extra_is_named(
    site: Path, name: str, content: bytes, library: str, expected: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    (site / name).write_bytes(content)
    find = importlib.util.find_spec
    monkeypatch.setattr(
        "strikewatch.sources.logs.reader.find_spec", lambda one: None if one == library else find(one)
    )
    source = "can-logger" if name.endswith(".log") else "cab-logger"
    done = strikewatch("convert", site / name, "--source", source, "--to", site / "shift", *sources(site))
    assert done.returncode == 2
    assert expected in done.stderr


def test_heavy_readers_are_loaded_only_where_used(site: Path) -> None:
    """A CSV log needs none of the libraries of other formats."""
    import subprocess

    (site / "shift.csv").write_text("time,oil\n2026-03-04T07:15:00Z,60\n")
    code = (
        "import sys\nfrom strikewatch.cli.main import main\n"
        "main(['convert', 'shift.csv', '--source', 'cab-logger', '--to', 'shift', '-q'])\n"
        "heavy = 'can', 'cantools', 'asammdf', 'python_calamine', 'pandas', 'sqlalchemy'\n"
        "print([one for one in heavy if one in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=site, capture_output=True, text=True, check=False, timeout=120
    )
    assert done.stdout.splitlines()[-1] == "[]"
