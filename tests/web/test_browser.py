"""The page in a real browser, before the real processor and broker."""

import json
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from strikewatch import guide
from strikewatch.core.instant import SECOND
from strikewatch.storage.actions import tokens
from strikewatch.storage.engines.shared import SharedDatabase
from tests.broker import Broker, free_port
from tests.browser import CONTRAST, strayed, violations
from tests.service.processor import SITE, Gateway, Processor, now_ns, until

WAIT_MS = 60_000
OPEN_ALL = """document.querySelectorAll("details").forEach((details) => {
    details.removeAttribute("name");
    details.open = true;
})"""


class LiveSite:
    """A broker, a gateway, a processor with its page, and somebody's token."""

    def __init__(self, folder: Path) -> None:
        self.broker = Broker(folder / "broker")
        self.broker.start()
        self.port = free_port()
        self.processor = Processor(
            folder / "processor", self.broker, http={"enabled": True, "port": self.port}, alarms=FAST
        )
        self.processor.start()
        self.gateway = Gateway(self.broker)
        self._rests = 0
        with SharedDatabase(folder / "processor" / "strikewatch.db") as place, place.write() as connection:
            self.token = tokens.add(connection, "site office", "act", now_ns())

    def url(self, path: str = "/") -> str:
        return f"http://127.0.0.1:{self.port}{path}"

    def close(self) -> None:
        self.gateway.close()
        self.processor.end()
        self.broker.stop()

    def signed_in(self, context: BrowserContext, path: str = "/") -> Page:
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.goto(self.url(f"/sign-in?to={path}"))
        page.fill("#token", self.token)
        page.click("main button")
        page.wait_for_url(self.url(path))
        return page

    def open_log(self, chromium: Browser, **options: Any) -> Page:
        """Open the page Log, in a context with these options, once the site knows HB-01."""
        self.fire_in_one_spot(seconds=3)
        self.processor.wait_until_processed("HB-01", now_ns() - 3 * SECOND)
        return self.signed_in(chromium.new_context(**options), "/write")

    def fire_in_one_spot(self, hammer: str = "HB-01", seconds: int = 17) -> None:
        """Firing on in one spot, up to now."""
        start = now_ns() - seconds * SECOND
        for second in range(seconds):
            pressure = [140.0 + k for k in range(10)]
            self.gateway.block(
                hammer, start + second * SECOND, 0.1, active=[True] * 10, pressure_bar=pressure, oil_c=61.0
            )

    def stop_firing(self, hammer: str = "HB-01") -> None:
        """At rest from now on; a row later than any before it."""
        self._rests += 1
        self.gateway.block(hammer, now_ns() + 3 * self._rests * SECOND, 0.1, active=[False] * 30)


FAST = {"flood_above": 1_000_000, "chattering_raisings": 1_000_000}


@pytest.fixture
def live_site(tmp_path: Path) -> Iterator[LiveSite]:
    with closing(LiveSite(tmp_path)) as live_site:
        yield live_site


def test_values_update_live_and_an_alert_in_one_window_is_acknowledged_in_another(
    live_site: LiveSite, chromium: Browser
) -> None:
    live_site.fire_in_one_spot(seconds=5)
    live_site.processor.wait_until_processed("HB-01", now_ns() - 3 * SECOND)
    office, cab = chromium.new_context(), chromium.new_context(viewport={"width": 360, "height": 740})
    first, second = live_site.signed_in(office), live_site.signed_in(cab)
    errors = [strayed(first), strayed(second)]
    row = first.locator('#rows [data-key="fennick-hollow/HB-01"]')
    expect(row.locator('[data-slot="spot_text"]')).to_contain_text("Firing, ", timeout=WAIT_MS)
    expect(row.locator('[data-slot="oil_text"]')).to_contain_text("61 °C, limit 80 °C")
    expect(row.locator("svg.timeline")).to_be_visible(timeout=WAIT_MS)
    live_site.gateway.event("HB-01", now_ns(), "sign_on", operator="op-14")
    live_site.stop_firing()
    expect(row.locator('[data-slot="operator"]')).to_have_text("op-14", timeout=WAIT_MS)
    live_site.gateway.event("HB-01", now_ns(), "sign_off")
    live_site.stop_firing()
    expect(row.locator('[data-slot="operator"]')).to_have_text("nobody signed on", timeout=WAIT_MS)
    expect(first.locator("#verdict")).to_have_text("No hammer needs action")
    first.evaluate("window.same = true")
    live_site.fire_in_one_spot("HB-02", seconds=17)
    new = first.locator('#rows [data-key="fennick-hollow/HB-02"]')
    expect(new.locator('[data-slot="oil_text"]')).to_contain_text("61 °C", timeout=WAIT_MS)
    expect(new.locator("svg.timeline")).to_be_visible(timeout=WAIT_MS)
    assert first.evaluate("window.same")  # the page was not loaded anew: what is typed stays
    expect(new.locator('[data-slot="spot_text"]')).to_contain_text("of 15 s", timeout=WAIT_MS)
    for page in (first, second):
        expect(page.locator("#verdict")).to_have_text("1 hammer needs action", timeout=WAIT_MS)
    expect(first.locator("#cards")).to_contain_text("Firing in one spot")
    expect(first.locator("#open")).to_contain_text("Stop, reposition the tool")
    second.click("#cards .action button")
    for page in (first, second):
        expect(page.locator("#verdict")).to_contain_text("No hammer needs action", timeout=WAIT_MS)
    first.goto(live_site.url("/alerts?hammer=HB-02"))
    first.click(".found .what a")
    expect(first.locator(".story").first).to_contain_text("site office")
    expect(first.locator("#trace svg path.line")).not_to_have_count(0)
    first.locator("#trace svg").hover()
    expect(first.locator("#trace output")).to_contain_text("bar")
    assert errors == [[], []]


def test_an_open_page_recovers_from_a_lost_broker_and_a_lost_server(
    live_site: LiveSite, chromium: Browser
) -> None:
    live_site.fire_in_one_spot(seconds=5)
    context = chromium.new_context()
    page = live_site.signed_in(context)
    row = page.locator('#rows [data-key="fennick-hollow/HB-01"]')
    expect(row.locator('[data-slot="heard"]')).to_contain_text("live", timeout=WAIT_MS)
    assert live_site.processor.stop() == 0
    expect(page.locator("#lost")).to_be_visible(timeout=WAIT_MS)
    expect(page.locator("#lost")).to_contain_text("This may be out of date")
    live_site.processor.start()
    expect(page.locator("#lost")).to_be_hidden(timeout=WAIT_MS)
    live_site.broker.stop()
    until(lambda: live_site.processor.log().count("broker_lost"))
    live_site.broker.start()

    def needs_action() -> bool:
        live_site.fire_in_one_spot("HB-02", seconds=17)  # on and on: an alert that has ended needs no action
        return page.locator("#verdict").inner_text() == "1 hammer needs action"

    until(needs_action, every_s=1.0)


def test_an_invalid_value_is_reported_beside_its_field_and_kept(
    live_site: LiveSite, chromium: Browser
) -> None:
    page = live_site.open_log(chromium)
    page.click("text=Operator signs on")
    page.fill("details[open] input[name=operator]", "no such name!")
    page.click("details[open] button")
    expect(page.locator("details[open] .wrong")).to_contain_text("Operator:")
    expect(page.locator("details[open] input[name=operator]")).to_have_value("no such name!")
    expect(page.locator("details[open] input[name=operator]")).to_have_attribute("aria-invalid", "true")
    page.fill("details[open] input[name=operator]", "op-14")
    page.click("details[open] button")
    expect(page.locator(".story")).to_contain_text("Operator: op-14 by site office", use_inner_text=True)

    def applied() -> bool:
        live_site.stop_firing()  # an event takes effect between rows
        return bool(live_site.processor.query("select 1 from events where applied_ns is not null"))

    until(applied)
    page.click("[data-correct]")
    expect(page.locator("details[open] input[name=operator]")).to_have_value("op-14")
    page.fill("details[open] input[name=operator]", "op-15")
    page.click("details[open] button")
    expect(page.locator(".story li.replaced")).to_contain_text("op-14")
    expect(page.locator(".story li").first).to_contain_text("op-15")


def test_empty_forms_are_refused_unusual_values_are_asked_about_and_saved_entries_can_be_undone(
    live_site: LiveSite, chromium: Browser
) -> None:
    page = live_site.open_log(chromium, viewport={"width": 360, "height": 740})
    page.click("summary:text-is('Full service')")
    page.click("details[open] button")
    expect(page.locator("details[open] .wrong")).to_contain_text("tick what was serviced")
    assert live_site.processor.query("select 1 from events") == []

    page.click("summary:text-is('Inspection of tool and lower bushing')")
    page.fill("details[open] input[name=tool_mm]", "0.5")
    page.click("details[open] button")
    errors = page.locator("details[open] p:has(input[name=tool_mm]) + .question")
    expect(errors).to_contain_text("is 0.5 mm right?")
    expect(page.locator("details[open] input[name=tool_mm]")).to_have_value("0.5")
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.fill("details[open] input[name=tool_mm]", "0.6")  # another value, another question
    expect(errors).to_have_count(0)
    page.click("details[open] button")
    page.check("details[open] input[name=confirmed]")
    page.click("details[open] button")
    expect(page.locator("details[open] .done")).to_contain_text("Saved.")
    expect(page.locator(".story")).to_contain_text("0.6 mm")
    expect(page.locator(".story")).to_contain_text("confirmed")
    page.click("details[open] .done button")
    expect(page.locator("details[open] .done")).to_contain_text("Undone")
    expect(page.locator(".story li.replaced")).to_contain_text("withdrawn; it no longer sets a timer")

    page.click("summary:text-is('Greasing')")
    for k in range(2):
        page.locator("details[open] input[name=strokes]").nth(k).fill("12")
    page.click("details[open] button")
    expect(page.locator("details[open] .done")).to_contain_text(
        "Saved."
    )  # by the script, which then answers clicks
    expect(page.locator(".story")).to_contain_text("12 + 12")
    page.click("[data-event=grease][data-correct]")
    correcting = page.locator("details[open] .correcting")
    expect(correcting).to_contain_text("You are correcting the entry of")
    expect(correcting).to_contain_text("A correction resets the timer")
    page.click("text=Cancel")
    expect(correcting).to_be_hidden()
    page.click("[data-event=grease][data-correct]")
    page.locator("details[open] input[name=strokes]").nth(0).fill("15")
    page.click("details[open] button")
    expect(page.locator(".story li.replaced")).to_have_count(2)
    expect(page.locator(".story")).to_contain_text("corrects the entry of")
    page.locator("li:has-text('15 + 12') [data-withdraw]").click()
    expect(page.locator(".story li.replaced")).to_have_count(3)
    found = live_site.processor.query("select kind, fields, corrects from events order by seq")
    assert [kind for kind, _, _ in found] == ["inspection", "withdrawal", "grease", "grease", "withdrawal"]
    assert json.loads(found[0][1]) == {"tool_mm": 0.6, "confirmed": True}
    assert [corrects for _, _, corrects in found] == [None, 1, None, 3, 4]


def test_tool_change_type_of_work_and_inspection_are_logged_with_every_field(
    live_site: LiveSite, chromium: Browser
) -> None:
    page = live_site.open_log(chromium, viewport={"width": 360, "height": 740})
    page.click("summary:text-is('Tool change')")
    page.select_option("details[open] select[name=tool]", "hard_blunt")
    page.fill("details[open] input[name=serial]", "T-417")
    page.fill("details[open] input[name=material]", "alloyed")
    page.select_option("details[open] select[name=reason]", "broken")
    page.click("details[open] button")
    expect(page.locator(".story")).to_contain_text("T-417")
    page.click("summary:text-is('Change type of work')")
    page.select_option("details[open] select[name=work]", "benching")
    page.check("details[open] input[name=abrasive]")
    page.click("details[open] button")
    expect(page.locator(".story")).to_contain_text("benching")
    page.click("summary:text-is('Inspection of tool and lower bushing')")
    page.check("details[open] input[name=bushing_new]")
    page.fill("details[open] input[name=tool_length_mm]", "712.5")
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.click("details[open] button")
    expect(page.locator(".story")).to_contain_text("712.5")
    fields = {
        kind: json.loads(fields)
        for kind, fields in live_site.processor.query("select kind, fields from events")
    }
    assert fields["tool_change"] == {
        "tool": "hard_blunt",
        "serial": "T-417",
        "material": "alloyed",
        "reason": "broken",
    }
    assert fields["work"] == {"work": "benching", "abrasive": True}
    assert fields["inspection"] == {"bushing_new": True, "tool_length_mm": 712.5}


def test_entries_made_offline_are_kept_and_sent_later_with_their_time(
    live_site: LiveSite, chromium: Browser
) -> None:
    page = live_site.open_log(chromium)
    page.evaluate("navigator.serviceWorker.ready")
    page.reload()  # now through the worker, which keeps it
    page.wait_for_selector(".entry summary")
    page.context.set_offline(True)
    for path in ("/", "/alerts"):  # nothing old passes for the present
        page.goto(live_site.url(path))
        expect(page.locator("h1")).to_have_text("No connection")
        expect(page.locator("main")).to_contain_text("Alerts cannot be shown without a connection")
        assert violations(page) == []
    page.click("text=Log an entry")
    expect(page.locator("#old")).to_contain_text("No connection. You can log entries")
    before = now_ns()
    page.click("text=Greasing")
    for k in range(2):
        page.locator("details[open] input[name=strokes]").nth(k).fill("12")
    page.click("details[open] button")
    expect(page.locator("details[open] .done")).to_contain_text("Saved on this device")
    expect(page.locator("#kept")).to_contain_text("Not sent yet: 1")
    saved_at = now_ns()
    page.click("text=Operator signs on")
    page.fill("details[open] input[name=operator]", "no such name!")
    page.click("details[open] button")
    expect(page.locator("#kept")).to_contain_text("Not sent yet: 2")
    until(lambda: now_ns() > saved_at + SECOND)  # what is sent now has the time of its entry
    page.context.set_offline(False)
    (found,) = until(
        lambda: live_site.processor.query("select who, time_ns from events where kind = 'grease'")
    )
    assert found[0] == "site office"
    assert before - SECOND <= found[1] <= saved_at + SECOND
    expect(page.locator("#kept")).to_be_hidden()
    expect(page.locator("#refused")).to_contain_text("kept on this device: HB-01 Operator signs on")
    expect(page.locator("#refused")).to_contain_text("Operator: ")
    page.click("text=Fix")
    expect(page.locator("details[open] input[name=operator]")).to_have_value("no such name!")
    page.fill("details[open] input[name=operator]", "op-14")
    page.click("details[open] button")
    expect(page.locator(".story")).to_contain_text("Operator: op-14 by site office", use_inner_text=True)
    expect(page.locator("#refused li")).to_have_count(0)


def test_every_page_is_accessible_and_fits_a_phone(live_site: LiveSite, chromium: Browser) -> None:
    """In dark mode only the colours differ; those of one guide are those of all."""
    live_site.fire_in_one_spot(seconds=17)
    until(lambda: live_site.processor.query("select 1 from alerts"))
    ((alert,),) = live_site.processor.query("select id from alerts where fault = 'same_spot'")
    live_site.gateway.block("HB-01", now_ns(), 0.1, active=["x" * 500], presure_bar=[1])
    until(lambda: live_site.processor.query("select 1 from feed_problems"))
    page = live_site.signed_in(chromium.new_context(viewport={"width": 360, "height": 740}))
    for path in (
        "/",
        "/alerts",
        f"/alerts/{SITE}/{alert}",
        f"/hammers/{SITE}/HB-01",
        "/write",
        "/due",
        "/week",
        "/choices",
        "/feed",
        f"/feed?sender={SITE}/HB-01",
        "/guide",
        *(f"/guide/{topic}" for topic in guide.topics()),
        "/sign-in",
    ):
        page.emulate_media(color_scheme="light")
        page.goto(live_site.url(path))
        if path == "/":
            expect(page.locator("svg.timeline")).to_be_visible(timeout=WAIT_MS)
        if path == "/write" or path.startswith("/hammers"):
            page.evaluate(OPEN_ALL)
        assert page.evaluate("document.documentElement.scrollWidth") <= 360, path
        if path.startswith("/guide/") and not path.endswith("/faults"):
            assert violations(page, without=(CONTRAST,)) == [], path
        else:
            assert violations(page) == [], path
            page.emulate_media(color_scheme="dark")
            assert violations(page, only=(CONTRAST,)) == [], f"{path} in dark mode"
