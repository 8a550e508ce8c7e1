"""The tree of commands: help, suggestions, completion, lookup of settings, and how little is loaded."""

import contextlib
import io
import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import click
import pytest

from strikewatch.cli import output
from strikewatch.cli.main import COMMANDS, RENAMED, load, main, root
from strikewatch.cli.options import Command
from strikewatch.storage.commit.store import Store
from tests.cli.command import ROOT

HEAVY = ("alembic", "numba", "numpy", "pandas", "pyarrow", "pydantic", "scipy", "sqlalchemy")
HEAVIEST = (
    *(set(HEAVY) - {"numpy", "pydantic"}),
    "asyncio",
    "fastapi",
    "jinja2",
    "paho",
    "starlette",
    "uvicorn",
)
"""What a command that only reads settings does not load."""
NOT_TO_REPLAY = ("alembic", "cffi", "pandas", "scipy.linalg", "sqlalchemy")
WITH_DATABASE = tuple(set(HEAVIEST) - {"sqlalchemy", "asyncio"})


def _commands() -> list[list[str]]:
    """Return every command and subcommand as a list of words."""
    found: list[list[str]] = []
    for name in COMMANDS:
        found.append([name])
        command = load(name)
        if isinstance(command, click.Group):
            found += [[name, inner] for inner in command.commands]
    return found


def test_help_of_every_command_loads_nothing_heavy() -> None:
    """One process prints the help of every command; loaded modules are checked, not time."""
    code = (
        "import contextlib, io, sys\nfrom strikewatch.cli.main import main\n"
        f"for words in {[[], *_commands()]!r}:\n"
        "    with contextlib.redirect_stdout(io.StringIO()) as printed_text:\n"
        "        assert main([*words, '--help']) == 0, words\n"
        "    assert 'Examples:\\n' in printed_text.getvalue(), words\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert (done.stdout, done.stderr) == ("[]\n", "")


def loaded_by(commands: list[list[str]], modules: Sequence[str], folder: Path) -> dict[str, list[str]]:
    """Run commands in a fresh process, one after the other; return which of `modules` are loaded after each."""
    code = (
        "import contextlib, io, json, sys\nfrom strikewatch.cli.main import main\nfound = {}\n"
        f"for words in {commands!r}:\n"
        "    with contextlib.redirect_stdout(io.StringIO()): main(words)\n"
        f"    found[' '.join(words)] = [name for name in {tuple(modules)!r} if name in sys.modules]\n"
        "print(json.dumps(found))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=folder,
        env={name: value for name, value in os.environ.items() if name != "COLUMNS"},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    found: dict[str, list[str]] = json.loads(done.stdout)
    assert len(found) == len(commands)
    return found


@pytest.mark.parametrize(
    ("commands", "heavy"),
    [
        (
            [["--help"], ["--version"], ["guide", "faults", "--markdown"], ["completion", "bash"]],
            (*HEAVY, *HEAVIEST, "rich"),
        ),
        ([["guide", "faults"]], (*HEAVY, *HEAVIEST)),
        ([["channels"], ["settings"]], (*HEAVIEST, "strikewatch.sources.mapping")),
        (
            [
                *(["alerts"], ["token", "list"], ["due"], ["wear"], ["tools"], ["baseline"], ["coaching"]),
                ["deliveries", "list"],
            ],
            (*WITH_DATABASE, "strikewatch.sources.mapping"),
        ),
        (
            [
                ["replay", "--json", str(ROOT / "replay_data" / name)]
                for name in ("trench-feed", "wet-trench")
            ],
            ("pandas", "sqlalchemy", "alembic"),
        ),
    ],
    ids=["text", "guide", "settings", "database", "replay"],
)
def test_commands_load_only_what_they_use(
    commands: list[list[str]], heavy: tuple[str, ...], tmp_path: Path
) -> None:
    assert set(map(tuple, loaded_by(commands, heavy, tmp_path).values())) == {()}


def test_a_command_starts_no_threads(tmp_path: Path) -> None:
    """Those of numpy's linear algebra spin while they start."""
    code = (
        "import contextlib, io, os, sys\nfrom strikewatch.cli.main import main\n"
        "with contextlib.redirect_stdout(io.StringIO()): main(['settings'])\n"
        "print('numpy' in sys.modules, len(os.listdir('/proc/self/task')))\n"
    )
    environment = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == "True 1\n"


def test_commands_on_an_existing_database_load_neither_detectors_nor_numpy(tmp_path: Path) -> None:
    Store(tmp_path / "strikewatch.db").close()
    commands = [
        ["alerts"],
        ["alerts", "--json"],
        ["hammer", "in-service", "HB-01", "--by", "Kim"],
        ["token", "list"],
        ["rejects"],
        ["deliveries", "list", "--from", "2d", "--json"],
    ]
    slow = (*WITH_DATABASE, "numpy", "psycopg", "sqlalchemy.dialects.postgresql", "structlog")
    found = loaded_by(commands, ("sqlalchemy", "strikewatch.detectors", *slow), tmp_path)
    assert set(map(tuple, found.values())) == {("sqlalchemy",)}


def test_the_help_lists_every_command_once(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    lines = capsys.readouterr().out.splitlines()
    for name, (_, summary) in COMMANDS.items():
        assert sum(line.split() == [name, *summary.split()] for line in lines) == 1


def test_every_file_of_a_command_is_in_the_tree() -> None:
    files = {path.stem for path in (ROOT / "strikewatch/cli/commands").glob("*.py")} - {"__init__"}
    assert files == {module for module, _ in COMMANDS.values()}


def test_examples_in_the_help_can_be_parsed() -> None:
    """Examples are parsed, not run."""
    import shlex

    for words in _commands():
        command = load(words[0])
        if len(words) == 2:
            assert isinstance(command, click.Group)
            command = command.commands[words[1]]
        for example in command.examples:  # type: ignore[attr-defined]  # of our own classes
            given = shlex.split(example.partition("|")[0].partition(">")[0], comments=True)
            if given[0] == "strikewatch":
                inner: click.Command = root
                context = root.make_context("strikewatch", given[1:])
                while isinstance(inner, click.Group) and (rest := [*context._protected_args, *context.args]):
                    _, found, rest = inner.resolve_command(context, rest)
                    assert found is not None
                    inner, context = found, found.make_context(found.name, rest, parent=context)


@pytest.mark.parametrize(("old", "new"), RENAMED.items())
def test_an_earlier_name_still_works_with_a_notice(
    old: str, new: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([old, "--help"]) == 0
    out, err = capsys.readouterr()
    assert err == f"strikewatch: `{old}` is now `{new}`; the old name will be removed.\n"
    assert main([new, "--help"]) == 0
    assert capsys.readouterr().out.partition("\n")[2] == out.partition("\n")[2]


@pytest.mark.parametrize(
    ("words", "printed_text"),
    [
        (["reviw"], "Did you mean 'review'?"),
        (["replay", "x", "--jsn"], "--json"),
        (["alerts", "acknowlege", "1"], "'acknowledge'"),
        (["alerts", "--priority", "hgh"], "'high'"),
        (["replay"], "Missing argument 'PATH'"),
        (["alerts", "shelve", "1", "--by", "Kim", "--reason", "x"], "give either --for TIME or --until WHEN"),
        (["deliveries", "send"], "give either NUMBER... or --endpoint NAME"),
    ],
)
def test_a_mistyped_word_is_answered_with_a_suggestion(
    words: list[str], printed_text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("strikewatch: ")
    assert printed_text in err
    assert "\nTry: strikewatch" in err


@pytest.mark.parametrize("words", [["replay"], ["alerts", "shelve"], []])
def test_help_is_also_a_command(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["help", *words]) == 0
    shown = capsys.readouterr().out
    assert main([*words, "--help"]) == 0
    assert capsys.readouterr().out == shown


@pytest.mark.parametrize("words", [[], ["deliveries"]])
def test_without_a_command_the_help_is_shown(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    assert capsys.readouterr().err.startswith("Usage: strikewatch")


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("strikewatch re", {"replay", "rejects", "restore", "review"}),
        ("strikewatch alerts ac", {"acknowledge"}),
        ("strikewatch alerts --prio", {"--priority"}),
        ("strikewatch alerts --priority ", {"low", "medium", "high"}),
    ],
)
def test_the_shell_completes(
    words: str, found: set[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("_STRIKEWATCH_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", words)
    monkeypatch.setenv("COMP_CWORD", str(words.count(" ")))
    assert main([]) == 0
    assert {line.partition(",")[2] for line in capsys.readouterr().out.splitlines()} == found


@pytest.fixture
def folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Yield an empty working folder, user settings folder and system settings folder."""
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "user"))
    monkeypatch.setenv("XDG_CONFIG_DIRS", str(tmp_path / "system"))
    monkeypatch.delenv("STRIKEWATCH_CONFIG", raising=False)
    return tmp_path


def test_settings_are_looked_for_in_order(
    folders: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Option, variable, working folder, user, system; --verbose names the file on standard error."""
    places = {
        "system": folders / "system/strikewatch/strikewatch.toml",
        "user": folders / "user/strikewatch/strikewatch.toml",
        "work": folders / "work/strikewatch.toml",
        "variable": folders / "variable.toml",
        "option": folders / "option.toml",
    }

    def port(*words: str) -> tuple[int, str]:
        assert main(["settings", "--json", *words]) == 0
        out, err = capsys.readouterr()
        return json.loads(out)["mqtt"]["port"], err

    assert port("--verbose") == (1883, "settings: defaults, and the environment\n")
    for k, (name, path) in enumerate(places.items()):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"[mqtt]\nport = {2000 + k}\n")
        if name == "variable":
            monkeypatch.setenv("STRIKEWATCH_CONFIG", str(path))
        words = ["--config", str(path)] if name == "option" else []
        found, err = port("-v", *words)
        assert found == 2000 + k
        assert (path.name if name == "work" else str(path)) in err
        assert port(*words) == (2000 + k, "")


def test_an_option_before_a_subcommand_counts_as_after_it(
    folders: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command line overrides the environment, on either side of the subcommand."""
    monkeypatch.setenv("STRIKEWATCH_CONFIG", "gone.toml")
    (folders / "mine.toml").write_text(f'[store]\npath = "{folders / "w.db"}"\n')
    for words in (
        ["alerts", "--config", str(folders / "mine.toml"), "history", "1"],
        ["alerts", "history", "1", "--config", str(folders / "mine.toml")],
    ):
        assert main(words) == 1
        assert f"there is no database {folders / 'w.db'}" in capsys.readouterr().err


def test_quiet_leaves_only_errors(capsys: pytest.CaptureFixture[str]) -> None:
    trench = str(ROOT / "replay_data" / "trench-feed")
    assert main(["replay", trench, "--json"]) == 0
    loud = capsys.readouterr()
    assert main(["--quiet", "replay", trench, "--json"]) == 0
    quiet = capsys.readouterr()
    assert (quiet.out, quiet.err) == (loud.out, "")
    assert "rows not used" in loud.err
    assert main(["replay", "gone", "-q"]) == 2
    assert "gone" in capsys.readouterr().err


def test_piped_text_is_not_wrapped(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    assert main(["channels"]) == 0
    piped = capsys.readouterr().out
    assert max(len(line.rstrip()) for line in piped.splitlines()) > 100
    assert "A value outside its range counts as missing and raises sensor_fault. null: not sampled." in piped
    monkeypatch.setenv("COLUMNS", "60")
    assert main(["channels"]) == 0
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 60


@pytest.mark.parametrize(
    "words", [["guide", "faults", "--markdown"], ["channels"], ["channels", "--json"], ["--help"]]
)
def test_a_closed_pipe_exits_with_0(words: list[str]) -> None:
    """The reader closes at once, as `head` does: no traceback, exit code 0."""
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-m", "strikewatch.cli.main", *words],
        cwd=ROOT,
        stdout=writer,
        stderr=subprocess.PIPE,
        text=True,
        timeout=120,
        check=False,
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("words", [["--help"], ["channels"], ["channels", "--json"]])
def test_a_full_disk_under_the_output_is_named(words: list[str]) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "strikewatch.cli.main", *words],
            cwd=ROOT,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr.startswith("strikewatch: the output cannot be written (No space left on device)")
    assert done.stderr.count("\n") == 1


def test_without_standard_output_a_command_still_succeeds() -> None:
    command = f"{sys.executable} -m strikewatch.cli.main --version >&-"
    done = subprocess.run(
        ["sh", "-c", command], cwd=ROOT, stderr=subprocess.PIPE, text=True, timeout=120, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("words", [["--no-color"], []])
def test_colors_can_be_switched_off(words: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """In a terminal; piped text never has any."""
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)

    def show() -> None:
        output.notes().print("late rows", style="yellow")

    probe = Command("probe", callback=lambda _options: show())
    with contextlib.redirect_stderr(io.StringIO()) as err:
        probe.main(words, standalone_mode=False)
    assert ("\x1b[33m" in err.getvalue()) is (not words)


def test_tokens_are_made_and_revoked_with_json(folders: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Store(folders / "work" / "strikewatch.db").close()
    capsys.readouterr()

    def run(*words: str) -> dict[str, object]:
        assert main(["token", *words, "--json"]) == 0
        found: dict[str, object] = json.loads(capsys.readouterr().out)
        return found

    made = run("add", "kim", "--role", "act")
    assert (made["name"], made["role"], len(str(made["token"])) > 20) == ("kim", "act", True)
    assert run("revoke", "kim") == {"name": "kim", "changed": True}
    assert run("revoke", "kim") == {"name": "kim", "changed": False}
    assert made["sites"] is None
    assert run("add", "lee", "--site", "pit", "--site", "bench")["sites"] == ["bench", "pit"]
    assert main(["token", "list"]) == 0
    listed = " ".join(capsys.readouterr().out.split())
    assert "kim act all" in listed
    assert "lee view bench, pit" in listed


def test_the_version_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    from importlib.metadata import version

    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"strikewatch {version('strikewatch')}\n"


def test_the_guide_list_is_available_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["guide", "--json"]) == 0
    assert {json.loads(line)["topic"] for line in capsys.readouterr().out.splitlines()} >= {"faults"}


def test_tables_show_the_local_time_of_the_site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Dublin is an hour ahead of UTC in summer; the heading names the zone; JSON stays in UTC."""
    shift = str(ROOT / "replay_data" / "pad-handover")
    (tmp_path / "mine.toml").write_text('[sites]\nzone = "Europe/Dublin"\n')
    assert main(["replay", shift, "--json"]) == 0
    onset = json.loads(capsys.readouterr().out.splitlines()[0])["onset"]
    assert onset.startswith("2026-07-15T12:")
    assert main(["replay", shift, "--config", str(tmp_path / "mine.toml")]) == 0
    out = capsys.readouterr().out
    assert "onset (Europe/Dublin)" in out
    assert onset[:21].replace("T12:", " 13:") in out
    assert main(["replay", shift, "--json", "--config", str(tmp_path / "mine.toml")]) == 0
    assert json.loads(capsys.readouterr().out.splitlines()[0])["onset"] == onset
