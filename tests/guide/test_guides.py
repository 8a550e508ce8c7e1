"""The guides are reachable, link to each other, and the generated ones are those of the code."""

import html
import re
from pathlib import Path

import pytest

from strikewatch import guide
from strikewatch.cli.main import main
from strikewatch.sinks.filter import FAULTS
from strikewatch.web.pages.templating import render_guide
from tests.guide.documents import TEXTS, TOP
from tests.guide.generate import api_text, openapi, settings_text
from tests.web.site import site


def test_the_generated_guides_are_those_of_the_code() -> None:
    """`python -m tests.guide.generate` writes them anew."""
    assert guide.text("settings") == settings_text()
    assert guide.text("api") == api_text(openapi())


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


def test_the_command_lists_and_prints_them(capsys: pytest.CaptureFixture[str]) -> None:
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
