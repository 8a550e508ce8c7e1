"""Every active alert is shown, the highest priority first, under true counts; no mute is hidden."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from strikewatch.cli.main import main
from strikewatch.core import instant
from strikewatch.core.alert import Alert, Priority
from strikewatch.core.instant import SECOND
from strikewatch.engine.self_alerts import DISK_FULL, SelfAlert
from strikewatch.storage.commit.step import StepRecord
from tests.browser import browser, violations
from tests.web.site import HAMMER, NOW, SITE, Site, site

BASE = "/api/v1"
MANY = 300
WAIT_MS = 60_000


def alert(number: int, priority: Priority = "low", hammer: str = "HB-02") -> Alert:
    """The higher the number, the longer ago."""
    return Alert(f"fault_{number}", SITE, hammer, "op-14", priority, NOW - number * 60 * SECOND, None)


def end(raised: Alert, after_s: int = 20) -> Alert:
    raised.cleared = raised.onset + after_s * SECOND
    return raised


@pytest.fixture
def crowded(tmp_path: Path) -> Iterator[tuple[Site, Alert]]:
    """As many active alerts of low priority, newer than one that is high, beside the site's own of medium."""
    with site(tmp_path, local_view_without_token=True) as server:
        oldest = alert(MANY, "high")
        server.alerts(*(alert(number) for number in range(MANY)), oldest)
        yield server, oldest


def heading(text: str) -> str:
    (listed,) = re.findall(r'<span id="verdict">(.*?)</span>', text)
    return str(listed)


def test_the_highest_priority_comes_first_even_if_it_is_the_oldest_of_300(
    crowded: tuple[Site, Alert],
) -> None:
    server, oldest = crowded
    for path in ("/", "/open"):
        html = server.request("GET", path).text
        assert heading(html) == "2 hammers need action", path
        listed = re.findall(r'data-alert="([^"]+)"', html)
        assert len(set(listed)) == len(listed) == MANY + 2
        assert listed[0] == f"{SITE}/{oldest.id}"
        cards = re.findall(r'<li data-item="cards:([^"]+)"', html)
        assert cards == [f"{SITE}/HB-02", f"{SITE}/{HAMMER}"]
    assert "<title>(2) Now – " in server.request("GET", "/").text
    listing = server.request("GET", f"{BASE}/active").json
    assert [each["id"] for each in listing["alerts"][:2]] == [oldest.id, server.alert]
    assert listing["counts"] == {"unacknowledged": {"high": 1, "medium": 1, "low": 300}}
    newest = server.request("GET", f"{BASE}/alerts?limit=5").json
    assert (len(newest["alerts"]), newest["total"]) == (5, MANY + 2)
    metrics = server.request("GET", "/metrics").text.splitlines()
    assert 'strikewatch_active_alerts{priority="low",state="unacknowledged"} 300.0' in metrics


def test_acknowledged_and_muted_alerts_stay_listed_while_active(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        token = server.token("site office", "act")
        cookie = server.cookie(token)
        acknowledged, shelved, out_of_service = alert(1, "high"), alert(2, "high"), alert(3, "medium", HAMMER)
        server.work(NOW)
        server.alerts(acknowledged, shelved, out_of_service)
        until = instant.text(NOW + 3600 * SECOND)
        server.request("POST", f"{BASE}/alerts/{acknowledged.id}/acknowledge", {}, token)
        server.request(
            "POST", f"{BASE}/alerts/{shelved.id}/shelve", {"until": until, "reason": "trial of a tool"}, token
        )
        server.request("POST", f"{BASE}/hammers/{HAMMER}/out-of-service", {"reason": "new seals"}, token)
        html = server.request("GET", "/", headers=cookie).text
        assert heading(html) == "No hammer needs action · 1 acknowledged · 1 shelved · 1 out of service"
        for words in (
            "Acknowledged, still active (1)",
            "Shelved and out of service (2)",
            "Active, but shelved or out of service (3)",
            "By site office: trial of a tool",
            "By site office: new seals",
            "End shelving",
            "Put back in service",
        ):
            assert words in html
        row = html[html.index(f'data-key="{SITE}/{HAMMER}"') :]
        assert re.search(r'data-slot="muted">Out of service until ended by hand</p>', row)
        muted = server.request("GET", f"{BASE}/muted", token=token).json["muted"]
        assert [(mute["kind"], mute["by"], mute["reason"], mute["active"]) for mute in muted] == [
            ("out_of_service", "site office", "new seals", 2),
            ("shelved", "site office", "trial of a tool", 1),
        ]
        ending = {"site": SITE, "hammer": "HB-02", "fault": shelved.fault}
        assert server.request("POST", f"{BASE}/shelves/end", ending, token).json["changed"] == 1
        assert server.request("POST", f"{BASE}/shelves/end", ending, token).json["changed"] == 0
        server.request("POST", f"{BASE}/hammers/{HAMMER}/in-service", {}, token)
        assert server.request("GET", f"{BASE}/muted", token=token).json["muted"] == []
        assert 'id="muted" hidden' in server.request("GET", "/", headers=cookie).text


def test_several_alerts_are_acknowledged_or_shelved_together_or_not_at_all(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        token = server.token("site office", "act")
        first, second, over = alert(1, "high"), alert(2, "medium"), alert(3, "medium")
        server.alerts(first, second, over)
        server.alerts(end(over))

        def named(*alerts: Alert) -> list[dict[str, str]]:
            return [{"site": SITE, "id": each.id} for each in alerts]

        def states() -> dict[str, str]:
            listed = server.request("GET", f"{BASE}/active", token=token).json["alerts"]
            return {each["fault"]: each["state"] for each in listed if each["hammer"] == "HB-02"}

        unknown = [{"site": "elsewhere", "id": first.id}]
        done = server.request(
            "POST", f"{BASE}/alerts/acknowledge", {"alerts": named(second) + unknown}, token
        )
        assert (done.status, states()["fault_2"]) == (404, "unacknowledged")
        until = instant.text(NOW + 3600 * SECOND)
        body = {"alerts": named(first, over), "until": until, "reason": "trial of a tool"}
        done = server.request("POST", f"{BASE}/alerts/shelve", body, token)
        assert (done.status, states()["fault_1"]) == (409, "unacknowledged")  # one has ended
        body = {"alerts": named(first, second), "comment": "seen"}
        assert server.request("POST", f"{BASE}/alerts/acknowledge", body, token).json["changed"] == 2
        assert server.request("POST", f"{BASE}/alerts/acknowledge", body, token).json["changed"] == 0
        body = {"alerts": named(first, second), "until": until, "reason": "trial of a tool"}
        assert server.request("POST", f"{BASE}/alerts/shelve", body, token).json["changed"] == 2
        assert states() == {"fault_1": "shelved", "fault_2": "shelved"}
        assert server.request("POST", f"{BASE}/alerts/acknowledge", {"alerts": []}, token).status == 422
        for wrong, words in (
            ({"comment": "a\0b"}, "contains a character that is not allowed"),
            ({"comment": "a" * 1001}, "is too long: at most 1000 characters"),
            ({"coment": ""}, "is not known here"),
        ):
            answer = server.request(
                "POST", f"{BASE}/alerts/acknowledge", {"alerts": named(first)} | wrong, token
            )
            assert list(answer.json["fields"].values()) == [words]


def test_a_script_gets_only_what_differs_from_the_version_that_it_has(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        cookie = server.cookie(server.token("site office", "act"))
        server.alerts(alert(1, "high"), alert(2, "low", "HB-03"))

        def changes(have: str) -> Any:
            return server.request("GET", f"/active?have={have}", headers=cookie).json

        whole = changes("")
        assert list(whole["items"]) == [
            f"cards:{SITE}/HB-02",
            f"cards:{SITE}/{HAMMER}",
            f"notices:{SITE}/HB-03",
        ]
        assert changes(whole["version"])["items"] == {}
        server.alerts(alert(3, "medium", "HB-04"))
        later = changes(whole["version"])
        assert list(later["items"]) == [f"cards:{SITE}/HB-04"]
        assert [section["keys"] for section in later["sections"] if section["id"] == "cards"] == [
            [f"cards:{SITE}/HB-02", f"cards:{SITE}/HB-04", f"cards:{SITE}/{HAMMER}"]
        ]
        assert len(changes("unknown")["items"]) == 4
        viewer = server.cookie(server.token("visitor", "view"))
        other = server.request("GET", f"/active?have={later['version']}", headers=viewer).json
        assert "Acknowledge" not in str(other["items"])  # another kind of reader has its own


def test_a_card_of_many_alerts_shows_all_but_advises_on_the_worst_only(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        worst = Alert("hot_oil", SITE, "HB-02", "op-14", "high", NOW, None)
        others = [
            Alert("same_spot", SITE, "HB-02", "op-14", "medium", NOW - k * SECOND, None) for k in range(9)
        ]
        server.alerts(worst, *others)
        headers = server.cookie(server.token("site office", "act"))
        card = (
            server.request("GET", "/", headers=headers).text.split('data-item="cards:')[1].split("actions")[0]
        )
        listed = re.findall(r'data-alert="([^"]+)"', card)
        assert listed[0] == f"{SITE}/{worst.id}"
        assert sorted(listed) == sorted(f"{SITE}/{one.id}" for one in (worst, *others))
        assert card.count('class="advice"') <= 3


def test_an_alert_that_has_ended_cannot_be_shelved(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        token = server.token("site office", "act")
        cookie = server.cookie(token)
        shelvable = alert(1, "high")
        server.alerts(shelvable)
        page = f"/alerts/{SITE}/{shelvable.id}"
        assert "/shelve?" in server.request("GET", page, headers=cookie).text
        server.alerts(end(shelvable))
        body = {"until": instant.text(NOW + 3600 * SECOND), "reason": "known"}
        response = server.request("POST", f"{BASE}/alerts/{shelvable.id}/shelve", body, token)
        assert response.status == 409
        assert response.json["error"] == "the alert has ended, so it cannot be shelved"
        assert response.json["remedy"].startswith("acknowledge it if nobody has")
        assert server.request("GET", f"{BASE}/muted", token=token).json["muted"] == []
        assert "/shelve?" not in server.request("GET", page, headers=cookie).text


def test_ended_alerts_are_grouped_and_each_group_is_acknowledged_at_once(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        token = server.token("site office", "act")
        for minute in range(MANY):
            ended = Alert("hot_oil", SITE, "HB-02", None, "medium", NOW - minute * 60 * SECOND, None)
            server.alerts(ended)
            server.alerts(end(ended))
        html = server.request("GET", "/", headers=server.cookie(token)).text
        assert heading(html) == "1 hammer needs action"
        assert "Ended, not acknowledged (300)" in html
        assert "300 times, last at" in html
        assert len(html) < 60_000
        (group,) = server.request("GET", f"{BASE}/active", token=token).json["ended"]
        assert (group["hammer"], group["fault"], group["count"]) == ("HB-02", "hot_oil", MANY)
        body = {name: group[name] for name in ("site", "hammer", "fault", "ended_by")}
        assert server.request("POST", f"{BASE}/alerts/acknowledge-ended", body, token).json["changed"] == MANY
        assert server.request("GET", f"{BASE}/active", token=token).json["ended"] == []


def test_the_page_keeps_up_with_300_alerts_while_it_is_open(crowded: tuple[Site, Alert]) -> None:
    server, oldest = crowded
    token = server.token("site office", "act")
    name, _, value = server.cookie(token)["Cookie"].partition("=")
    with browser() as chromium:
        context = chromium.new_context(viewport={"width": 360, "height": 740})
        context.add_cookies([{"name": name, "value": value, "url": f"http://127.0.0.1:{server.port}"}])
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        server.work(NOW)
        page.goto(f"http://127.0.0.1:{server.port}/")
        verdict, first = page.locator("#verdict"), page.locator("#cards .card").first
        expect(verdict).to_have_text("2 hammers need action", timeout=WAIT_MS)
        expect(first.locator(".what").first).to_contain_text(oldest.fault.replace("_", " ").capitalize())
        older = alert(MANY + 1, "high", "HB-09")
        server.alerts(older)
        expect(verdict).to_have_text("3 hammers need action", timeout=WAIT_MS)
        expect(page).to_have_title("(3) Now – Strikewatch")
        expect(first).to_have_attribute("data-key", f"{SITE}/HB-09")
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 360

        page.locator("#cards .card", has_text="HB-02").locator("button").first.click()
        expect(page.locator("#acknowledged h3")).to_have_text(
            f"Acknowledged, still active ({MANY + 1})", timeout=WAIT_MS
        )
        expect(page.locator("#state")).to_be_focused()
        history = server.request("GET", f"{BASE}/alerts/{oldest.id}/history", token=token).json["history"]
        assert history[-1]["event"] == "acknowledge"

        server.request("POST", f"{BASE}/hammers/{HAMMER}/out-of-service", {"reason": "new seals"}, token)
        muted_text = page.locator(f'#rows [data-key="{SITE}/{HAMMER}"] [data-slot="muted"]')
        expect(muted_text).to_have_text("Out of service until ended by hand", timeout=WAIT_MS)
        page.click("text=Put back in service")
        expect(muted_text).to_be_hidden(timeout=WAIT_MS)

        failing(page)
        server.alerts(end(older))
        expect(verdict).to_contain_text("1 hammer needs action", timeout=WAIT_MS)
        page.click("#ended summary")
        page.click("#ended .list button")
        expect(page.locator("#ended")).to_be_hidden(timeout=WAIT_MS)
        context.close()


def test_a_live_update_moves_no_focus_and_drops_nothing_that_is_being_typed(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        name, _, value = server.cookie(server.token("site office", "act"))["Cookie"].partition("=")
        first, second = alert(1, "medium", "HB-02"), alert(2, "medium", "HB-03")
        server.alerts(first, second)
        server.work(NOW)
        with browser() as chromium:
            context = chromium.new_context()
            context.add_cookies([{"name": name, "value": value, "url": f"http://127.0.0.1:{server.port}"}])
            page = context.new_page()
            page.set_default_timeout(WAIT_MS)
            page.goto(f"http://127.0.0.1:{server.port}/")
            card = page.locator("#cards .card", has_text="HB-02")
            card.locator("summary").click()
            reason = card.locator("select")
            reason.select_option(index=2)
            reason.focus()
            page.evaluate("window.card = document.activeElement.closest('.card')")
            server.alerts(alert(3, "high", "HB-04"), alert(0, "high", "HB-02"))  # above it, and within it
            expect(page.locator("#verdict")).to_have_text("4 hammers need action", timeout=WAIT_MS)
            expect(page.locator("#cards .card").first).to_contain_text("HB-04")
            expect(card).to_contain_text("Fault 0")
            expect(page.locator("#announced")).to_have_text(re.compile("^HB-0[24]: Fault [03]$"))
            assert page.evaluate("window.card === document.activeElement.closest('.card')")
            expect(reason).to_be_focused()
            expect(reason).to_have_value("Trial or test")
            expect(card.locator("details")).to_have_attribute("open", "")
            for one in (first, alert(0, "high", "HB-02")):
                server.alerts(end(one))
            expect(page.locator("#verdict")).to_have_text("3 hammers need action", timeout=WAIT_MS)
            expect(reason).to_be_focused()  # the card stays until it is left
            page.locator("#state").focus()
            expect(card).to_have_count(0)
            context.close()


def failing(page: Page) -> None:
    """The next request for the alerts fails; the page must ask again."""
    page.route(
        "**/active?*",
        lambda route: route.fulfill(status=503, body=json.dumps({"error": "the database refuses"})),
        times=1,
    )


def test_a_self_alert_is_listed_shown_and_acknowledged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with site(tmp_path, local_view_without_token=True) as server:
        alert = SelfAlert(DISK_FULL)
        server.store.commit(StepRecord(NOW + SECOND, changes=alert.update(True, [SITE], NOW + SECOND, 0)))
        token = server.token("Ada", "act")
        listed = server.request("GET", "/api/v1/alerts?fault=disk_full", token=token).json["alerts"]
        assert [(each["hammer"], each["priority"], each["state"]) for each in listed] == [
            ("", "high", "unacknowledged")
        ]
        alert_id = listed[0]["id"]
        for path in ("/", "/alerts", "/week", f"/alerts/{SITE}/{alert_id}"):
            html = server.request("GET", path)
            assert html.status == 200, path
            if path == "/":  # the site's own alert of medium priority is about a hammer
                assert heading(html.text) == "1 hammer needs action · 1 system alert"
            assert path == "/week" or "Disk full" in html.text
        assert "out-of-service" not in server.request("GET", f"/alerts/{SITE}/{alert_id}").text
        assert server.request("GET", f"/trace/{SITE}/{alert_id}").json["time_s"] == []
        done = server.request("POST", f"/api/v1/alerts/{alert_id}/acknowledge", {"comment": "on it"}, token)
        assert (done.status, done.json["changed"]) == (200, 1)
        assert server.request("GET", "/api/v1/figures?end=2026-03-01T00:00:00Z", token=token).status == 200
        (tmp_path / "s.toml").write_text(f'[store]\npath = "{tmp_path / "watch.db"}"\n')
        for command, words in ((["alerts"], "disk_full"), (["alarm-metrics"], SITE)):
            capsys.readouterr()
            assert main([*command, "--config", str(tmp_path / "s.toml")]) == 0
            assert words in capsys.readouterr().out
