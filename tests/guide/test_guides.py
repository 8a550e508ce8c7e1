"""The guides are reachable and link to each other; the generated ones and that to the faults agree with the code."""

import html
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from strikewatch import guide
from strikewatch.cli.main import main
from strikewatch.core.channels import CHANNELS
from strikewatch.core.instant import SECOND
from strikewatch.detectors.registry import DETECTORS
from strikewatch.settings.tree import Settings
from strikewatch.sinks.filter import FAULTS
from strikewatch.web.pages.views.guide import render_guide
from tests.guide.documents import TEXTS, TOP
from tests.guide.generate import FOLDER, api_text, asyncapi_text, openapi, settings_text
from tests.web.site import site


def test_the_generated_guides_are_those_of_the_code() -> None:
    """`python -m tests.guide.generate` writes them anew."""
    assert guide.text("settings") == settings_text()
    assert guide.text("api") == api_text(openapi())
    assert (FOLDER / "asyncapi.json").read_text(encoding="utf-8") == asyncapi_text()


def test_the_readme_is_short_and_names_every_guide_and_every_fault() -> None:
    text = TEXTS["README.md"]
    assert len(text.splitlines()) <= 200
    for topic in guide.topics():
        assert f"[{topic}](strikewatch/guide/{topic}.md)" in text
    for fault in FAULTS:
        assert f"`{fault}`" in text


def test_the_developers_document_is_short() -> None:
    assert len((TOP / "DEVELOPERS.md").read_bytes()) < 12_000


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_every_link_leads_somewhere(name: str) -> None:
    """A guide links to guides only: the page serves nothing else."""
    folder = TOP if name == "README.md" else TOP / "strikewatch" / "guide"
    for target in re.findall(r"\]\(([^)]+)\)", re.sub(r"```.*?```", "", TEXTS[name], flags=re.DOTALL)):
        path, _, anchor = target.partition("#")
        if name != "README.md":
            assert path.removesuffix(".md") in guide.topics(), target
        assert (folder / path).exists(), target
        if anchor:
            assert f'id="{anchor}"' in (render_guide(Path(path or name).stem) or ""), target


def test_the_command_lists_and_prints_the_guides(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["guide"]) == 0
    listed = capsys.readouterr().out.splitlines()
    assert [line.split(maxsplit=1) for line in listed] == [list(each) for each in guide.topics().items()]
    for topic, title in guide.topics().items():
        assert main(["guide", topic]) == 0
        printed = capsys.readouterr().out
        assert title in printed
        assert not re.search(r"^```|^#{2,} |<!--", printed, re.MULTILINE)


def test_the_page_lists_and_shows_them_with_links_between_them(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        headers = server.cookie(server.token("site office", "view"))
        listed = server.request("GET", "/guide", headers=headers)
        for topic, title in guide.topics().items():
            assert f'<a href="/guide/{topic}">{title}</a>' in html.unescape(listed.text)
            shown = server.request("GET", f"/guide/{topic}", headers=headers)
            assert shown.status == 200
            assert "<h1 id=" in shown.text
            assert "&lt;!--" not in shown.text
            assert not re.search(r'href="[^"]*\.md', shown.text)
        assert 'href="/guide/faults"' in server.request("GET", "/guide/gateway", headers=headers).text
        assert 'href="/guide"' in server.request("GET", "/", headers=headers).text


TEXT = guide.text("faults") or ""


def settings_named() -> dict[str, list[str]]:
    """Table of settings → what the guide names of it: `name = value`, or `name` where there is no default."""
    found = re.findall(r"Settings \(`([\w.]+)`\): (.*?)\.\n", TEXT, re.DOTALL)
    return {table: re.findall(r"`([^`]+)`", section) for table, section in found}


def defaults(table: str) -> BaseModel:
    part: Any = Settings()
    for name in table.split("."):
        part = getattr(part, name)
    assert isinstance(part, BaseModel)
    return part


def test_every_fault_of_the_registry_has_its_section() -> None:
    headings = [
        re.findall(r"\w+", line.partition(":")[0]) for line in TEXT.splitlines() if line[:4] == "### "
    ]
    described = [name for names in headings for name in names]
    assert set(FAULTS) <= set(described)
    assert len([name for name in described if name in FAULTS]) == len(FAULTS)


def test_faults_of_the_operator_are_those_that_count_against_one() -> None:
    _, _, after = TEXT.partition("## Faults of the operator\n")
    operator_faults, _, remainder = after.partition("\n## ")
    for detector in DETECTORS:
        for fault in detector.faults:
            assert re.search(
                rf"### [^:]*\b{fault.name}\b", operator_faults if fault.of_operator else remainder
            ), fault.name


@pytest.mark.parametrize("table", sorted(settings_named()))
def test_the_defaults_are_those_of_the_code(table: str) -> None:
    model = defaults(table)
    for named in settings_named()[table]:
        name = named.partition(" ")[0]
        value = getattr(model, name)
        if "=" in named:
            assert tomllib.loads(named)[name] == value, named
        else:
            assert value is None, f"{table}.{name} has the default {value!r}"


def test_every_setting_of_every_fault_is_named() -> None:
    settings_by_table = settings_named()
    for table in type(Settings().faults).model_fields:
        named_settings = {entry.partition(" ")[0] for entry in settings_by_table[f"faults.{table}"]}
        assert named_settings == set(type(defaults(f"faults.{table}")).model_fields), table


def test_the_hold_times_are_those_of_the_channels() -> None:
    hold_times = {
        name: float(seconds)
        for names, seconds in re.findall(r"^\| (`.*`) \| ([\d.]+) s \|$", TEXT, re.MULTILINE)
        for name in re.findall(r"`(\w+)`", names)
    }
    assert hold_times == {name: channel.hold_ns / SECOND for name, channel in CHANNELS.items()}


def test_what_has_no_published_source_says_so() -> None:
    assert "common practice, no published source" in TEXT
    assert TEXT.count("(cp") > 15


def test_the_command_prints_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["guide", "faults"]) == 0
    printed = capsys.readouterr().out
    assert "same_spot: continuous firing in one spot" in printed
    assert "###" not in printed
    assert main(["guide", "faults", "--markdown"]) == 0
    assert capsys.readouterr().out == TEXT
    assert main(["guide", "../faults"]) == 2
    assert "faults" in capsys.readouterr().err


def test_the_page_shows_it_without_a_style_or_a_script_and_with_a_place_for_each_fault() -> None:
    shown = render_guide("faults") or ""
    assert not re.search(r"style=|<script|<style|src=", shown)
    for fault in ("same_spot", "hot_oil", "inspection_soon", "disk_full"):
        assert f'id="{fault}"' in shown
    assert render_guide("../faults") is None
