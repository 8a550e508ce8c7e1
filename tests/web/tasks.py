"""How many taps the everyday tasks take, measured in a real browser: `python -m tests.web.tasks [FILE]`.

Each task starts on a freshly loaded page, on a phone, and counts what a person does: a tap, a choice, or a field filled
in. It ends with a check that the task is done, so that a count of a task that failed is never written. Add a function
to TASKS. The table is written to standard output, or into a file.
"""

import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, NamedTuple

from playwright.sync_api import Browser, Locator, Page, expect

from strikewatch.core import instant
from strikewatch.core.alert import Alert
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.demo.site import SITE_SETTINGS
from strikewatch.storage.commit.step import StepRecord
from tests.browser import browser
from tests.web.site import HAMMER, NOW, SITE, Site, site

WAIT_MS: Final = 60_000


class Person:
    """Somebody with a phone, whose taps are counted."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.taps = 0

    def tap(self, what: Locator) -> None:
        """Tap what is in view after scrolling at most."""
        what.tap()
        self.taps += 1

    def fill(self, field: Locator, text: str) -> None:
        """Fill in a field."""
        field.fill(text)
        self.taps += 1

    def choose(self, field: Locator, value: str) -> None:
        """Choose from a list."""
        field.select_option(value)
        self.taps += 1


class Task(NamedTuple):
    """A task: what somebody wants, from which page, with how many taps at most, and how it is done."""

    name: str
    path: str
    most: int
    do: Callable[[Person, Site], None]


def what_is_wrong_and_whom_to_call(person: Person, _server: Site) -> None:
    card = person.page.locator("#cards .card").first
    expect(card).to_contain_text("HB-02")
    expect(card).to_contain_text("EX-22")
    expect(card).to_contain_text("op-14")
    expect(card.locator(".what").first).to_contain_text("Hot oil")
    expect(card.locator(".advice").first).to_be_in_viewport()
    expect(card.locator("a.call")).to_be_in_viewport()
    expect(card.locator("a.call")).to_have_attribute("href", "tel:+441632960101")


def acknowledge(person: Person, _server: Site) -> None:
    person.tap(person.page.locator("#cards .card").first.get_by_role("button", name="Acknowledge"))
    expect(person.page.locator("#verdict")).to_contain_text("1 hammer needs action")
    expect(person.page.locator("#verdict")).to_contain_text("1 acknowledged")


def shelve_to_the_end_of_the_shift(person: Person, server: Site) -> None:
    card = person.page.locator("#cards .card").first
    person.tap(card.locator("summary"))
    person.tap(card.get_by_role("button", name="End of shift"))
    expect(person.page.locator("#muted .mute").first).to_contain_text("Hot oil shelved")
    (shelf,) = (each for each in _mutes(server) if each["fault"] == "hot_oil" and each["hammer"] == "HB-02")
    assert instant.parse(shelf["until"]) % (12 * 3600 * SECOND) == 6 * 3600 * SECOND, shelf


def find_who_shelved(person: Person, _server: Site) -> None:
    expect(person.page.locator("#muted")).to_contain_text("By foreman: Trial or test")
    expect(person.page.locator("#muted")).to_contain_text("HB-04")


def open_a_hammer(person: Person, _server: Site) -> None:
    person.tap(person.page.locator("#rows").get_by_role("link", name=HAMMER))
    expect(person.page.locator("h1")).to_contain_text(HAMMER)
    expect(person.page.locator("#day")).to_be_visible()


def find_the_blank_firing_of_one_operator(person: Person, _server: Site) -> None:
    person.tap(person.page.get_by_role("link", name="Alerts", exact=True))
    person.tap(person.page.get_by_role("link", name="1 h", exact=True))
    person.tap(person.page.get_by_role("link", name="op-14, Blank firing suspected: 2"))
    expect(person.page.locator(".found .operator")).to_have_text(["op-14", "op-14"])
    expect(person.page.locator("#found")).to_have_text("2 alerts")


def log_a_greasing(person: Person, server: Site) -> None:
    person.tap(person.page.get_by_role("link", name="Log", exact=True))
    person.tap(person.page.locator("summary", has_text="Greasing"))
    person.tap(person.page.locator("details[open] [data-save]"))
    expect(person.page.locator("details[open] .done")).to_contain_text("Saved.")
    assert [entry["fields"] for entry in _entries(server)] == [{"method": "manual"}]


def correct_a_greasing(person: Person, server: Site) -> None:
    person.tap(person.page.get_by_role("button", name="Correct", exact=True))
    person.fill(person.page.locator("details[open] [name=strokes]").first, "14")
    person.tap(person.page.locator("details[open] [data-save]"))
    expect(person.page.locator("details[open] .done")).to_contain_text("Correction saved.")
    newest, wrong = _entries(server)
    assert newest["fields"]["strokes"] == [14]
    assert wrong["corrected_by"] == newest["number"]


TASKS: Final = [
    Task("See what is wrong and whom to call", "/", 0, what_is_wrong_and_whom_to_call),
    Task("Acknowledge it", "/", 1, acknowledge),
    Task("Shelve it until the end of the shift", "/", 2, shelve_to_the_end_of_the_shift),
    Task("Find who has shelved what", "/", 0, find_who_shelved),
    Task("See the day of one hammer", "/", 1, open_a_hammer),
    Task("Find the last hour's blank firing of one operator", "/", 3, find_the_blank_firing_of_one_operator),
    Task("Log a greasing", "/", 3, log_a_greasing),
    Task("Correct a greasing", "/write?hammer=HB-02", 3, correct_a_greasing),
]


def _entries(server: Site) -> list[dict[str, Any]]:
    """The entries of the hammer that has any."""
    token = server.token("reader", "view")
    entries: list[dict[str, Any]] = []
    for name in (HAMMER, "HB-02"):
        entries += server.request("GET", f"/api/v1/hammers/{name}/events", token=token).json["events"]
    return [entry for entry in entries if entry["who"] or entry["corrected_by"]]


def _mutes(server: Site) -> list[dict[str, str]]:
    mutes: list[dict[str, str]] = server.request(
        "GET", "/api/v1/muted", token=server.token("reader", "view")
    ).json["muted"]
    return mutes


@contextmanager
def busy_site(folder: Path) -> Iterator[Site]:
    """Two hammers that need action, one shelved alert, and recent work."""
    with site(folder, sites=SITE_SETTINGS) as server:
        server.work(NOW + 55 * SECOND)
        hot = Alert("hot_oil", SITE, "HB-02", "op-14", "high", NOW - 300 * SECOND, None)
        shelved = Alert("over_side", SITE, "HB-04", "op-12", "medium", NOW - 60 * SECOND, None)
        blank = [
            Alert(
                "blank_firing", SITE, HAMMER, operator, "medium", NOW - ago * SECOND, NOW - (ago - 4) * SECOND
            )
            for operator, ago in (("op-14", 900), ("op-14", 1800), ("op-15", 1200), ("op-14", 7200))
        ]
        server.alerts(hot, shelved, *blank)
        server.store.commit(
            StepRecord(
                NOW,
                events=[
                    Event(SITE, "HB-02", "grease", NOW - 900 * SECOND, {"strokes": [4], "method": "manual"})
                ],
                states={(SITE, "HB-02"): b"state"},
                layout="none:5",
            )
        )
        server.work(NOW + 55 * SECOND, key=(SITE, "HB-02"))
        until = instant.text(NOW + 3600 * SECOND)
        body = {"until": until, "reason": "Trial or test"}
        server.request("POST", f"/api/v1/alerts/{shelved.id}/shelve", body, server.token("foreman", "act"))
        yield server


def measure(chromium: Browser, task: Task) -> int:
    """Do a task at a site of its own; return the taps. Fails if it is not done in the end."""
    with tempfile.TemporaryDirectory() as folder, busy_site(Path(folder)) as server:
        name, _, value = server.cookie(server.token("site office", "act"))["Cookie"].partition("=")
        address = f"http://127.0.0.1:{server.port}"
        context = chromium.new_context(viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True)
        try:
            context.add_cookies([{"name": name, "value": value, "url": address}])
            page = context.new_page()
            page.set_default_timeout(WAIT_MS)
            page.goto(address + task.path)
            person = Person(page)
            task.do(person, server)
            return person.taps
        finally:
            context.close()


def main() -> int:
    """Measure every task; exit 1 if one takes more taps than it may."""
    with browser() as chromium:
        taps = [measure(chromium, task) for task in TASKS]
    lines = ["| task | taps | at most |", "| --- | --- | --- |"]
    lines += [f"| {task.name} | {count} | {task.most} |" for task, count in zip(TASKS, taps, strict=True)]
    text = "\n".join(lines) + "\n"
    if len(sys.argv) > 1:
        Path(sys.argv[1]).write_text(text, encoding="utf-8")
    else:
        sys.stdout.write(text)
    return int(any(count > task.most for task, count in zip(TASKS, taps, strict=True)))


if __name__ == "__main__":
    sys.exit(main())
