"""The page Log: what was saved is said beside the form, with undo; entries wait for the person who made them."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from strikewatch.core.instant import SECOND
from strikewatch.storage.commit.step import StepRecord
from tests.browser import violations
from tests.web.site import HAMMER, NOW, SITE, Site, site

EVENTS = f"/api/v1/hammers/{HAMMER}/events"


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Site]:
    with site(tmp_path) as server:
        server.store.commit(StepRecord(NOW, states={(SITE, "HB-02"): b"state"}, layout="none:5"))
        server.work(NOW + 50 * SECOND)
        server.work(NOW + 50 * SECOND, key=(SITE, "HB-02"))
        yield server


def sign_in(server: Site, context: BrowserContext, token: str, to: str = "/") -> Page:
    page = context.new_page()
    page.set_default_timeout(60_000)
    page.goto(f"http://127.0.0.1:{server.port}/sign-in")
    page.fill("#token", token)
    page.click("main button")
    page.wait_for_url(f"http://127.0.0.1:{server.port}/")
    if to != "/":
        page.goto(f"http://127.0.0.1:{server.port}{to}")
    return page


def test_a_greasing_is_logged_in_three_taps_and_corrected_in_three(server: Site, chromium: Browser) -> None:
    context = chromium.new_context(viewport={"width": 360, "height": 740})
    token = server.token("site office", "act")
    page = sign_in(server, context, token)
    page.get_by_role("link", name="Log", exact=True).click()  # 1
    page.click("summary:text-is('Greasing')")  # 2
    save = page.locator("details[open] [data-save]")
    save.click()  # 3
    done = page.locator("details[open] .done")
    expect(done).to_contain_text("Saved.")
    expect(save).to_be_focused()
    entry = page.locator("#entries .story li").first
    expect(entry).to_contain_text("Saved")  # the new entry is marked
    expect(entry).to_contain_text("by hand")
    assert violations(page) == []

    page.click("[data-correct]")  # 1
    expect(page.locator("details[open] .correcting")).to_contain_text("You are correcting the entry of")
    expect(page.locator("details[open] .correcting")).to_contain_text("Greasing by hand")
    expect(save).to_have_text("Save correction")
    page.locator("details[open] [name=strokes]").first.fill("12")  # 2, and typing
    save.click()  # 3
    expect(done).to_contain_text("Correction saved.")
    expect(save).to_have_text("Save")
    expect(page.locator("#entries .replaced")).to_have_count(1)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360

    done.get_by_role("button", name="Undo").click()
    expect(done).to_contain_text("Undone")
    expect(page.locator("#entries .replaced")).to_have_count(2)
    kinds = [one["event"] for one in server.request("GET", EVENTS, token=token).json["events"]]
    assert sorted(kinds) == ["grease", "grease", "withdrawal"]


def test_entries_wait_for_the_person_who_made_them_and_for_their_own_hammer(
    server: Site, chromium: Browser
) -> None:
    """A phone that two people share: nobody's entry is recorded under another's name."""
    context = chromium.new_context()
    one, other = server.token("Ada", "act"), server.token("Bo", "act")
    page = sign_in(server, context, one, f"/write?hammer=HB-02&site={SITE}")
    page.evaluate("navigator.serviceWorker.ready")
    page.reload()
    context.set_offline(True)
    page.click("summary:text-is('Greasing')")
    page.click("details[open] [data-save]")
    expect(page.locator("#kept")).to_contain_text("Not sent yet: 1 (kept on this device)")
    context.clear_cookies()
    context.set_offline(False)
    page = sign_in(server, context, other, "/write")
    expect(page.locator("#kept")).to_contain_text("Not sent yet: 1 by somebody else")
    context.clear_cookies()
    page = sign_in(server, context, one, "/write")
    expect(page.locator("#kept")).to_be_hidden()
    (entry,) = server.request("GET", "/api/v1/hammers/HB-02/events", token=one).json["events"]
    assert (entry["who"], entry["hammer"]) == ("Ada", "HB-02")


def test_times_in_questions_are_those_of_the_site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STRIKEWATCH_SITES__ZONE", "Pacific/Auckland")
    with site(tmp_path) as server:
        token = server.token("site office", "act")
        old = {"event": "grease", "method": "manual", "time": "2026-01-02T23:30:00Z"}
        asked = server.request("POST", EVENTS, old, token).json
        assert asked["fields"]["time"] == "03 Jan 2026 12:30 is 53 days ago; is that right?"
