"""Every code block of the README and the guides works: commands, Python, settings, messages, rules."""

import contextlib
import io
import itertools
import json
import re
import shlex
import subprocess
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from strikewatch.cli.main import main
from strikewatch.core import instant
from strikewatch.settings.environment import PREFIX, variables
from strikewatch.settings.tree import Settings, load
from strikewatch.sources.decode import Samples, decode
from strikewatch.sources.mapping import Sources, check_tables
from tests.broker import Broker
from tests.guide.documents import BLOCKS, TEXTS, TOP, Block, marked, of
from tests.mqtt_client import listening
from tests.waiting import until
from tests.web.site import site

FORMS = {
    "sh",
    "console",
    "python",
    "toml",
    "toml sources",
    "json",
    "json samples",
    "json events",
    "yaml compose",
    "yaml rules",
    "nginx",
    "csv",
    "dbc",
    "candump",
    "text capture",
    "text result",
}
GROUPS = {"alerts", "sources", "hammer", "deliveries", "token", "baseline", "coaching", "fleet"}
OWN_TEST = {"verify", "review", "gateway", "convert", "replay"}
RECEIVED = instant.parse("2026-03-05T00:00:00Z")


def commands() -> Iterator[tuple[str, list[str]]]:
    """(document, words) of every strikewatch command line in a block of commands or between backticks."""
    for block in of("sh", "console"):
        for line in block.text.replace("\\\n", " ").splitlines():
            words = shlex.split(line.removeprefix("$ "), comments=True)
            if words[:1] == ["strikewatch"]:
                yield block.document, words[1:]
    for name, text in TEXTS.items():
        for line in re.findall(r"`strikewatch ([^`]+)`", text):
            yield name, shlex.split(line)


@cache
def help_of(*words: str) -> str:
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed), contextlib.suppress(SystemExit):
        main([*words, "--help"])
    return printed.getvalue()


def test_every_block_is_of_a_form_that_is_tested() -> None:
    assert {block.form for block in BLOCKS} == FORMS
    for name, text in TEXTS.items():
        assert text.count("\n```") == 2 * len([block for block in BLOCKS if block.document == name]), name


def test_indented_commands_stand_in_the_readme_after_their_markers_only() -> None:
    for name, text in TEXTS.items():
        lines = text.splitlines()
        for before, line in itertools.pairwise(lines):
            if line.startswith("    ") and not in_a_block(text, line):
                assert name == "README.md"
                assert before in ("<!-- demo -->", "<!-- tests -->")


def in_a_block(text: str, line: str) -> bool:
    return any(line in found.splitlines() for found in re.findall(r"```[^\n]*\n(.*?)```", text, re.DOTALL))


@pytest.mark.parametrize(
    ("document", "words"), [pytest.param(*each, id=f"{each[0]}: {' '.join(each[1])}") for each in commands()]
)
def test_every_command_line_has_a_command_and_its_options(
    document: str, words: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    command = words[: 2 if words[0] in GROUPS and words[1:] and not words[1].startswith("-") else 1]
    text = help_of(*command)
    assert "usage" in text.lower(), f"{document}: no command {' '.join(command)}"
    for option in (word.partition("=")[0] for word in words if word.startswith("--")):
        assert re.search(rf"{option}\b", text), f"{document}: {' '.join(command)} has no option {option}"


def without_a_database() -> list[list[str]]:
    """The command lines that need nothing but the project's folder, and take seconds."""
    each = {tuple(words): words for _, words in commands() if "…" not in words}
    return [
        words
        for words in each.values()
        if words in (["channels"], ["guide"])
        or words[:2] == ["settings", "--config"]
        or words[:2] == ["replay", "replay_data/hot-bench"]
    ]


@pytest.mark.parametrize("words", without_a_database(), ids=" ".join)
def test_what_needs_no_database_runs(
    words: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(TOP)
    assert main(words) == 0
    assert capsys.readouterr().out


@pytest.mark.parametrize("block", of("sh"), ids=str)
def test_commands_are_shell(block: Block) -> None:
    done = subprocess.run(["bash", "-n"], input=block.text, text=True, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("block", [each for each in of("console") if each.marker not in OWN_TEST], ids=str)
def test_a_shown_run_prints_what_is_shown(
    block: Block, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every line, in this order, from its start; `…` stands for lines left out."""
    monkeypatch.chdir(TOP)
    monkeypatch.setenv("COLUMNS", "120")
    command, *shown = block.text.splitlines()
    assert main(shlex.split(command.removeprefix("$ "))[1:]) == 0
    printed = iter([" ".join(line.split()) for line in capsys.readouterr().out.splitlines()])
    for line in shown:
        start = " ".join(line.split())
        assert line == "…" or any(each.startswith(start) for each in printed), line


@pytest.mark.parametrize("block", [each for each in of("python") if each.marker not in OWN_TEST], ids=str)
def test_python_runs(
    block: Block, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(TOP)
    exec(compile(block.text, str(block), "exec"), {})
    assert "same_spot" in capsys.readouterr().out


def test_the_gateway_script_has_12_lines_and_its_blocks_arrive_whole(tmp_path: Path) -> None:
    script = marked("README.md", "gateway")
    assert len([line for line in script.splitlines() if line]) == 12
    with Broker(tmp_path) as broker, listening(broker, "strikewatch/+/+/samples") as arrived:
        for written, here in (
            ('"localhost", 1883', f'"{broker.host}", {broker.port}'),
            ("sleep(1)", "sleep(0)"),
        ):
            assert written in script
            script = script.replace(written, here)
        exec(script, {})
        until(lambda: len(arrived) == 3)
    for message in arrived:
        decoded = decode(message.topic, message.payload, instant.parse("2098-01-01T00:00:00Z"), "strikewatch")
        assert isinstance(decoded, Samples)
        assert len(decoded.rows) == 10
        assert not decoded.rejected
        assert not decoded.unknown


@pytest.mark.parametrize("block", of("toml sources"), ids=str)
def test_every_table_of_sources_has_no_mistake(block: Block) -> None:
    tables, problems = check_tables(tomllib.loads(block.text))
    assert not problems
    assert tables


def test_the_example_of_a_source_reads_the_payload_beside_it() -> None:
    tables, _ = check_tables(tomllib.loads(of("toml sources")[0].text))
    [payload] = [block.text for block in of("json") if '"hyd"' in block.text]
    found = Sources(tables).map("v1/fennick-hollow/HB-01/telem", payload.encode(), RECEIVED)
    assert not found.rejects
    [rows] = found.rows.values()
    assert {name: column.tolist() for name, column in rows.columns.items()} == {
        "active": [1.0],
        "pressure_bar": [142.5],
        "oil_c": [61.2],
    }


@pytest.mark.parametrize("block", of("toml"), ids=str)
def test_settings_are_valid(block: Block) -> None:
    tables = tomllib.loads(block.text)
    load(given=tables if tables.keys() <= Settings.model_fields.keys() else {"hammers": tables})


@pytest.mark.parametrize("block", of("json samples", "json events"), ids=str)
def test_messages_decode(block: Block) -> None:
    kind = block.form.partition(" ")[2]
    for line in block.text.splitlines():
        decoded = decode(f"strikewatch/fennick-hollow/HB-03/{kind}", line.encode(), RECEIVED, "strikewatch")
        assert not decoded.unknown, line
        if isinstance(decoded, Samples):
            assert not decoded.rejected, line


@pytest.mark.parametrize("block", of("json"), ids=str)
def test_other_json_is_json(block: Block) -> None:
    for line in block.text.splitlines():
        json.loads(line)


def test_the_alert_rules_use_metrics_that_there_are(tmp_path: Path) -> None:
    (block,) = of("yaml rules")
    rules: Any = YAML(typ="safe").load(block.text)
    assert all({"alert", "expr"} <= rule.keys() for group in rules["groups"] for rule in group["rules"])
    with site(tmp_path) as server:
        served = server.request("GET", "/metrics", token=server.token("monitor", "view")).text
    there = set(re.findall(r"^# TYPE (\w+)", served, re.MULTILINE))
    named = set(re.findall(r"strikewatch_\w+", block.text + TEXTS["operations.md"]))
    assert named <= there | {"strikewatch_last_step_age_seconds", "strikewatch_step_seconds"}


def test_the_compose_file_s_addition_fits_it() -> None:
    (block,) = of("yaml compose")
    yaml = YAML(typ="safe")
    added, whole = yaml.load(block.text), yaml.load(TOP / "docker-compose.yml")
    known = {name.upper() for name in variables(Settings)}
    for name, service in added["services"].items():
        assert name in whole["services"]
        assert {name for name in service["environment"] if name.startswith(PREFIX)} <= known
        assert service["ports"] == [f"127.0.0.1:{Settings().http.port}:{Settings().http.port}"]


def test_the_proxy_leads_to_the_page_and_appends_the_client() -> None:
    (block,) = of("nginx")
    assert f"proxy_pass http://127.0.0.1:{Settings().http.port};" in block.text
    assert "X-Forwarded-For $proxy_add_x_forwarded_for;" in block.text
    assert block.text.count("{") == block.text.count("}")
    assert all(line.rstrip()[-1] in "{};" for line in block.text.splitlines())
