"""The pages of due items and of feed problems, and what is not monitored; hostile payloads are harmless."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import expect

from strikewatch.core.instant import SECOND
from strikewatch.storage.commit.step import FeedCount, Reject, StepRecord
from strikewatch.web.pages.formatting import Formatting, load_translations
from tests.browser import browser
from tests.web.site import HAMMER, NOW, SITE, Site, site

DAY = 86_400 * 1_000_000_000


def test_hours_and_days_left_are_shown_with_overdue_items_first(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        server.work(NOW)
        items = {item.what: item for item in server.live_state.hammers[SITE, HAMMER].due_items(NOW)}
        assert list(items) == ["grease", "inspection", "service"]
        # One minute of work since it was first heard: 2 h, 50 h or 7 days, 1,000 h or 365 days (common practice).
        assert items["grease"].hours_left == pytest.approx(2 - 1 / 60)
        assert items["inspection"].hours_left == pytest.approx(50 - 1 / 60)
        assert items["inspection"].days_left == pytest.approx(7, abs=0.001)
        assert items["service"].days_left == pytest.approx(365, abs=0.001)
        assert not items["inspection"].recorded
        text = _text(server.request("GET", "/due").text)
        assert "Greasing 1 h 59 min of work left" in text
        assert (
            "Inspection of tool and lower bushing 50 h of work left 7 days left not enough history yet"
            in text
        )
        server.work(NOW + 9 * DAY)
        server.wait(9 * DAY)
        text = _text(server.request("GET", "/due").text)
        assert re.search(
            r"Due now or soon .* Inspection of tool and lower bushing Overdue\. 50 h of work left 2 days overdue",
            text,
        )
        assert text.index("Overdue.") < text.index("Later") < text.index("Full service")


def test_faults_that_a_feed_cannot_show_are_listed_with_the_reason(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        server.work(NOW)
        text = _text(server.request("GET", "/").text)
        assert "Tool not square to the surface: no tilt of the tool in the feed" in text
        assert "Hot oil:" not in text


def test_hours_of_work_are_rounded_as_people_plan() -> None:
    formatting = Formatting(load_translations()["en"])
    assert [formatting.work_time(h) for h in (0.0, 0.9, 1.999, 9.5, 47.3)] == [
        "0 min",
        "54 min",
        "2 h 00 min",
        "9 h 30 min",
        "47 h",
    ]


def _text(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))


GREASED = "Greased automatically"


def test_no_greasing_interval_is_shown_with_automatic_greasing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # With these it would be overdue from the first second on.
    monkeypatch.setenv("STRIKEWATCH_FAULTS__GREASE__METHOD", "automatic")
    for name in ("DUE_S", "OVERDUE_S", "HIGH_S"):
        monkeypatch.setenv(f"STRIKEWATCH_FAULTS__GREASE__{name}", "1")
    with site(tmp_path, local_view_without_token=True) as server, browser() as chromium:
        server.work(NOW + 60_000_000_000)
        due = server.request("GET", "/due").text
        assert GREASED in due
        assert "overdue by" not in due
        page = chromium.new_page()
        page.goto(f"http://127.0.0.1:{server.port}/")
        expect(page.locator('[data-slot="grease_text"]')).to_have_text(GREASED)


KEY = (SITE, HAMMER)
HOSTILE = b'\xff\xfe</code><script>alert(1)</script>" style="x" \x1b[31m\r\n{{ 7*7 }}' + b"A" * 3_000_000


def wrong(server: Site) -> None:
    topic = f"strikewatch/{SITE}/{HAMMER}/samples"
    nameless = "strikewatch/<b onclick=x>/a b/samples"
    rejects = [
        Reject(topic, HOSTILE, "not_json", "payload: <img src=x onerror=y>", KEY),
        Reject(nameless, b"Infinity", "topic", "site '<b>'"),
    ]
    feed = [FeedCount(KEY, "unknown_key", 1200, "<i>presure_bar", "did you mean `pressure_bar`?")]
    server.store.commit(StepRecord(NOW, rejects=rejects, feed=feed))


def test_rejected_data_is_listed_by_sender_and_never_becomes_markup(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        headers = server.cookie(server.token("site office", "view"))
        assert "Nothing was rejected" in server.request("GET", "/feed", headers=headers).text
        wrong(server)
        response = server.request("GET", "/feed", headers=headers)
        assert response.status == 200
        for said in ("1,200 in total", "did you mean `pressure_bar`?", "UTF-8 JSON"):
            assert said in response.text
        (link,) = re.findall(r'href="(/feed\?sender=[^"]*HB-01)"', response.text)
        for text in (response.text, server.request("GET", link, headers=headers).text):
            assert not re.search(r"<(script>|b onclick|img src=x|i>)", text)
            assert "&lt;script&gt;alert(1)" in text
            assert "\x1b" not in text
            assert "{{ 7*7 }}" in text
            assert len(text) < 20_000
        nameless = [
            path for path in re.findall(r'href="(/feed\?sender=[^"]*)"', response.text) if path != link
        ]
        assert server.request("GET", nameless[0], headers=headers).status == 200
        assert server.request("GET", "/feed?sender=%00%ff", headers=headers).status == 200


def test_recent_rejects_are_counted_on_every_page_and_old_ones_are_not(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        headers = server.cookie(server.token("site office", "view"))
        assert 'class="count"' not in server.request("GET", "/", headers=headers).text
        server.store.commit(StepRecord(NOW, feed=[FeedCount(KEY, "duplicate", 5)]))
        assert 'class="count"' not in server.request("GET", "/", headers=headers).text
        wrong(server)
        for path in ("/", "/week", "/feed"):
            assert re.search(r'class="count"[^>]*>2</b>', server.request("GET", path, headers=headers).text)
        server.wait(25 * 3600 * SECOND)
        assert 'class="count"' not in server.request("GET", "/week", headers=headers).text


def test_the_operations_list_rejects_by_sender_and_examples(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        token = server.token("gateways", "view")
        wrong(server)
        rejects = server.request("GET", f"/api/v1/rejects?hammer={HAMMER}", token=token).json["rejects"]
        assert {reject["reason"]: reject["count"] for reject in rejects} == {
            "not_json": 1,
            "unknown_key": 1200,
        }
        assert all(reject["remedy"] and reject["sender"] == f"{SITE}/{HAMMER}" for reject in rejects)
        assert server.request("GET", "/api/v1/rejects?since=2099-01-01T00:00:00Z", token=token).json == {
            "rejects": []
        }
        assert server.request("GET", "/api/v1/rejects?since=soon", token=token).status == 422
        path = f"/api/v1/rejects/examples?sender={SITE}/{HAMMER}"
        (example,) = server.request("GET", path, token=token).json["examples"]
        assert example["payload"].startswith(r"\xff\xfe</code><script>")
        assert len(example["payload"]) < 5000
        assert server.request("GET", path).status == 401


def test_the_guide_is_shown_and_an_unknown_one_is_not(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        headers = server.cookie(server.token("site office", "view"))
        response = server.request("GET", "/guide/faults", headers=headers)
        assert 'id="same_spot"' in response.text
        assert "<table" in response.text
        assert server.request("GET", "/guide/nothing", headers=headers).status == 404
        assert 'href="/guide/faults"' in server.request("GET", "/", headers=headers).text
