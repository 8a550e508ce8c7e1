"""Rejected data on the page and over HTTP: by sender, recent ones counted, hostile payloads harmless."""

import re
from pathlib import Path

from strikewatch.core.instant import SECOND
from strikewatch.storage.commit.step import FeedCount, Reject, StepRecord
from tests.web.site import HAMMER, NOW, SITE, Site, site

KEY = (SITE, HAMMER)
HOSTILE = b'\xff\xfe</code><script>alert(1)</script>" style="x" \x1b[31m\r\n{{ 7*7 }}' + b"A" * 3_000_000


def wrong(at: Site) -> None:
    topic = f"strikewatch/{SITE}/{HAMMER}/samples"
    nameless = "strikewatch/<b onclick=x>/a b/samples"
    rejects = [
        Reject(topic, HOSTILE, "not_json", "payload: <img src=x onerror=y>", KEY),
        Reject(nameless, b"Infinity", "topic", "site '<b>'"),
    ]
    feed = [FeedCount(KEY, "unknown_key", 1200, "<i>presure_bar", "did you mean `pressure_bar`?")]
    at.store.commit(StepRecord(NOW, rejects=rejects, feed=feed))


def test_rejected_data_is_listed_by_sender_and_never_becomes_markup(tmp_path: Path) -> None:
    with site(tmp_path) as at:
        headers = at.cookie(at.token("site office", "view"))
        assert "Nothing was rejected" in at.ask("GET", "/feed", headers=headers).text
        wrong(at)
        got = at.ask("GET", "/feed", headers=headers)
        assert got.status == 200
        for said in ("1,200 in total", "did you mean `pressure_bar`?", "UTF-8 JSON"):
            assert said in got.text
        (link,) = re.findall(r'href="(/feed\?sender=[^"]*HB-01)"', got.text)
        for text in (got.text, at.ask("GET", link, headers=headers).text):
            assert not re.search(r"<(script>|b onclick|img src=x|i>)", text)
            assert "&lt;script&gt;alert(1)" in text
            assert "\x1b" not in text
            assert "{{ 7*7 }}" in text
            assert len(text) < 20_000
        nameless = [path for path in re.findall(r'href="(/feed\?sender=[^"]*)"', got.text) if path != link]
        assert at.ask("GET", nameless[0], headers=headers).status == 200
        assert at.ask("GET", "/feed?sender=%00%ff", headers=headers).status == 200


def test_recent_rejects_are_counted_on_every_page_and_old_ones_are_not(tmp_path: Path) -> None:
    with site(tmp_path) as at:
        headers = at.cookie(at.token("site office", "view"))
        assert 'class="count"' not in at.ask("GET", "/", headers=headers).text
        at.store.commit(StepRecord(NOW, feed=[FeedCount(KEY, "duplicate", 5)]))
        assert 'class="count"' not in at.ask("GET", "/", headers=headers).text
        wrong(at)
        for sheet in ("/", "/week", "/feed"):
            assert re.search(r'class="count"[^>]*>2</b>', at.ask("GET", sheet, headers=headers).text)
        at.wait(25 * 3600 * SECOND)
        assert 'class="count"' not in at.ask("GET", "/week", headers=headers).text


def test_the_operations_list_rejects_by_sender_and_examples(tmp_path: Path) -> None:
    with site(tmp_path) as at:
        token = at.token("gateways", "view")
        wrong(at)
        found = at.ask("GET", f"/api/v1/rejects?hammer={HAMMER}", token=token).json["rejects"]
        assert {one["reason"]: one["count"] for one in found} == {"not_json": 1, "unknown_key": 1200}
        assert all(one["remedy"] and one["sender"] == f"{SITE}/{HAMMER}" for one in found)
        assert at.ask("GET", "/api/v1/rejects?since=2099-01-01T00:00:00Z", token=token).json == {
            "rejects": []
        }
        assert at.ask("GET", "/api/v1/rejects?since=soon", token=token).status == 422
        path = f"/api/v1/rejects/examples?sender={SITE}/{HAMMER}"
        (example,) = at.ask("GET", path, token=token).json["examples"]
        assert example["payload"].startswith(r"\xff\xfe</code><script>")
        assert len(example["payload"]) < 5000
        assert at.ask("GET", path).status == 401


def test_the_guide_is_shown_and_an_unknown_one_is_not(tmp_path: Path) -> None:
    with site(tmp_path) as at:
        headers = at.cookie(at.token("site office", "view"))
        shown = at.ask("GET", "/guide/faults", headers=headers)
        assert 'id="same_spot"' in shown.text
        assert "<table" in shown.text
        assert at.ask("GET", "/guide/nothing", headers=headers).status == 404
        assert 'href="/guide/faults"' in at.ask("GET", "/", headers=headers).text
