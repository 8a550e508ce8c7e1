"""Rejected data on the page and over HTTP: by sender, recent ones counted, hostile payloads harmless."""

import re
from pathlib import Path

from strikewatch.core.instant import SECOND
from strikewatch.storage.commit.step import FeedCount, Reject, StepRecord
from tests.web.site import HAMMER, NOW, SITE, Site, site

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
