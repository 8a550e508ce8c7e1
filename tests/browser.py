"""A real browser for tests: the installed Chromium, driven by playwright; and axe's rules of accessibility.

with browser() as chromium:
    page = chromium.new_page()
    ...
    assert violations(page) == []

A test process starts a browser at its first use, and ends it with the session. Contexts are closed after each use.
"""

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from functools import cache
from importlib.resources import files

from playwright.sync_api import Browser, Page, Playwright, expect, sync_playwright

from strikewatch.programs import find_program
from tests.programs import need_program

expect.set_options(timeout=60_000)  # its own 5 s are few on a busy machine

AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")


_running: dict[str, Browser] = {}
"""By program."""
_until_end = ExitStack()


@cache
def _playwright() -> Playwright:
    return _until_end.enter_context(sync_playwright())


@contextmanager
def browser(*, notifications: bool = False) -> Iterator[Browser]:
    """Yield the browser of this process, with no page open; for `notifications`, which its shell lacks, another."""
    program = need_program("chromium")
    if not notifications:
        # Debian's shell of it takes a third of the time, since it has no windows.
        program = find_program("chromium-headless-shell") or program
    if program not in _running or not _running[program].is_connected():
        started = _playwright().chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-gpu"]
        )
        _until_end.callback(started.close)
        _running[program] = started
    try:
        yield _running[program]
    finally:
        for context in _running[program].contexts:
            context.close()


def close_browser() -> None:
    """End the browsers of this process, if any was started."""
    _running.clear()
    _until_end.close()
    _playwright.cache_clear()


CONTRAST = "color-contrast"
"""The costliest of axe's rules: it looks at every piece of text."""


def violations(page: Page, only: Sequence[str] = (), without: Sequence[str] = ()) -> list[str]:
    """Return what axe finds against WCAG 2.2 A and AA and its best practices: rule, impact, and the elements.

    Args:
        only: rules to check; none given: all.
        without: rules to leave out.
    """
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE)
    options: dict[str, object] = {"resultTypes": ["violations"], "elementRef": False}
    options |= {"runOnly": list(only)} if only else {"rules": {name: {"enabled": False} for name in without}}
    found = page.evaluate("async (options) => (await axe.run(options)).violations", options)
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
