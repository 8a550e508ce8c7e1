"""A real browser for tests: the installed Chromium, driven by playwright; and axe's rules of accessibility.

with browser() as chromium:
    page = chromium.new_page()
    ...
    assert violations(page) == []
"""

from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files

from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests.programs import need_program

expect.set_options(timeout=60_000)  # its own 5 s are few on a busy machine

AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")


@contextmanager
def browser() -> Iterator[Browser]:
    program = need_program("chromium")
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])
        try:
            yield made
        finally:
            made.close()


def violations(page: Page) -> list[str]:
    """What axe finds against WCAG 2.2 A and AA and its best practices: rule, impact, and the elements."""
    page.evaluate(AXE)
    found = page.evaluate("async () => (await axe.run()).violations")
    return [
        f"{one['id']} ({one['impact']}): {node['html'][:200]} {node['failureSummary'][:200]}"
        for one in found
        for node in one["nodes"]
    ]


def strayed(page: Page) -> list[str]:
    """Collects what a page asks for elsewhere than from its own machine; to be looked at in the end."""
    asked: list[str] = []

    def note(url: str) -> None:
        if not url.startswith(("http://127.0.0.1:", "data:", "blob:", "file:", "about:")):
            asked.append(url)

    page.on("request", lambda request: note(request.url))
    return asked
