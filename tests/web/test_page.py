"""Sign-in and pages over HTTP as a browser uses them: who sees what, and no other site can cause a change."""

import re
from pathlib import Path
from urllib.parse import urlencode

import pytest

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.detectors.registry import DETECTORS
from strikewatch.engine.lifecycle import EVENT_KINDS, STATES
from strikewatch.errors import SettingsError
from strikewatch.storage.actions import tokens
from strikewatch.storage.outbox import deliveries
from strikewatch.web.authentication import SESSION_COOKIE
from strikewatch.web.pages.formatting import Formatting, load_translations
from tests.web.site import HAMMER, NOW, SITE, Reply, Site, site

SHEETS = (
    "/",
    "/open",
    "/alerts",
    f"/alerts/{SITE}/{{alert}}",
    "/write",
    "/due",
    "/week",
    "/choices",
    "/feed",
    "/guide",
    "/guide/faults",
)
FORM = {"Content-Type": "application/x-www-form-urlencoded"}


def sign_in(server: Site, token: str, **fields: str) -> Reply:
    return server.request("POST", "/sign-in", urlencode({"token": token, **fields}).encode(), headers=FORM)


def cookie_of(response: Reply) -> str:
    return response.headers["set-cookie"].partition(";")[0]


def test_an_unknown_sender_is_redirected_to_sign_in_and_back(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        token = server.token("site office", "act")
        for path in SHEETS:
            response = server.request("GET", path.format(alert=server.alert))
            assert response.status == 303
            assert response.headers["location"].startswith("/sign-in?to=")
        response = sign_in(server, token, to=f"/alerts/{SITE}/{server.alert}")
        assert (response.status, response.headers["location"]) == (303, f"/alerts/{SITE}/{server.alert}")
        flags = response.headers["set-cookie"].lower()
        assert all(flag in flags for flag in ("httponly", "samesite=strict", "path=/"))
        assert token not in flags
        for path in SHEETS:
            html = server.request(
                "GET", path.format(alert=server.alert), headers={"Cookie": cookie_of(response)}
            )
            assert html.status == 200, path
            policy = html.headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert not re.search(r"<script>|<style|\son\w+=|\sstyle=", html.text), path
            assert token not in html.text


@pytest.mark.parametrize(
    "to", ["https://elsewhere.invalid/", "//elsewhere.invalid", "/\\elsewhere.invalid", "x"]
)
def test_sign_in_redirects_to_this_server_only(tmp_path: Path, to: str) -> None:
    with site(tmp_path) as server:
        response = sign_in(server, server.token("site office", "act"), to=to)
        assert response.headers["location"] == "/"


def test_a_wrong_token_is_reported_and_not_repeated_in_the_response(tmp_path: Path) -> None:
    with site(tmp_path, failures=2) as server:
        server.token("site office", "act")
        response = server.request("POST", "/sign-in", urlencode({"token": "sw_wrong"}).encode(), headers=FORM)
        assert response.status == 401
        assert "Token not recognised." in response.text
        assert "sw_wrong" not in response.text
        assert (
            server.request("POST", "/sign-in", urlencode({"token": "sw_wrong"}).encode(), headers=FORM).status
            == 401
        )
        assert (
            server.request("POST", "/sign-in", urlencode({"token": "sw_wrong"}).encode(), headers=FORM).status
            == 429
        )


def test_a_change_under_a_cookie_needs_the_seal_and_our_own_page(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        cookie = cookie_of(sign_in(server, server.token("site office", "act")))
        page = server.request("GET", "/", headers={"Cookie": cookie})
        (csrf_token,) = re.findall(r'data-csrf="(\w+)"', page.text)
        path = f"/api/v1/alerts/{server.alert}/acknowledge"
        for headers in (
            {},
            {"Strikewatch-CSRF-Token": "0" * 64},
            {"Strikewatch-CSRF-Token": csrf_token, "Sec-Fetch-Site": "cross-site"},
            {"Strikewatch-CSRF-Token": csrf_token, "Sec-Fetch-Site": "same-site"},
        ):
            assert (
                server.request("POST", path, {"comment": "x"}, headers={"Cookie": cookie, **headers}).status
                == 403
            )
        assert (
            server.request("GET", f"/api/v1/alerts/{server.alert}", headers={"Cookie": cookie}).json["state"]
            == "unacknowledged"
        )
        good = {"Cookie": cookie, "Strikewatch-CSRF-Token": csrf_token, "Sec-Fetch-Site": "same-origin"}
        done = server.request("POST", path, {"comment": "seen"}, headers=good)
        assert done.json["alert"]["state"] == "acknowledged"
        # A page that was opened before an upgrade sends the earlier header.
        earlier = {"Cookie": cookie, "Strikewatch-Seal": csrf_token}
        assert server.request("POST", path, {"comment": "seen"}, headers=earlier).status == 200
        history = server.request(
            "GET", f"/api/v1/alerts/{server.alert}/history", headers={"Cookie": cookie}
        ).json["history"]
        assert [(entry["by"], entry["why"]) for entry in history if entry["event"] == "acknowledge"] == [
            ("site office", "seen")
        ]


def test_a_session_ends_when_signed_out_of_when_its_token_is_revoked_and_never_by_a_forged_form(
    tmp_path: Path,
) -> None:
    with site(tmp_path) as server:
        token = server.token("site office", "act")
        first, second = (cookie_of(sign_in(server, token)) for _ in range(2))
        page = server.request("GET", "/", headers={"Cookie": first})
        (csrf_token,) = re.findall(r'data-csrf="(\w+)"', page.text)
        server.request(
            "POST",
            "/sign-out",
            urlencode({"csrf_token": "0" * 64}).encode(),
            headers={"Cookie": first, **FORM},
        )
        assert server.request("GET", "/", headers={"Cookie": first}).status == 200
        server.request(
            "POST",
            "/sign-out",
            urlencode({"csrf_token": csrf_token}).encode(),
            headers={"Cookie": first, **FORM},
        )
        assert server.request("GET", "/", headers={"Cookie": first}).status == 303
        assert server.request("GET", "/", headers={"Cookie": second}).status == 200
        with server.store.write() as connection:
            tokens.revoke(connection, "site office", 1)
        assert server.request("GET", "/", headers={"Cookie": second}).status == 303
        database = (tmp_path / "watch.db").read_bytes() + (tmp_path / "watch.db-wal").read_bytes()
        assert first.partition("=")[2].encode() not in database


def test_a_viewer_is_offered_no_actions(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        view = {"Cookie": cookie_of(sign_in(server, server.token("wall screen", "view")))}
        act = {"Cookie": cookie_of(sign_in(server, server.token("site office", "act")))}
        for path in ("/", "/write", f"/alerts/{SITE}/{server.alert}"):
            assert 'class="action"' not in server.request("GET", path, headers=view).text
        assert 'class="action"' in server.request("GET", "/", headers=act).text
        assert "look freely" not in server.request("GET", "/", headers=act).text


def test_local_view_without_token_allows_this_machine_to_view_only(tmp_path: Path) -> None:
    with site(tmp_path, local_view_without_token=True) as server:
        server.token("site office", "act")
        assert server.request("GET", "/").status == 200
        assert server.request("POST", f"/api/v1/alerts/{server.alert}/acknowledge", {}).status == 403
        assert server.request("GET", "/", headers={"Host": "elsewhere.invalid"}).status == 421
        assert server.request("GET", "/", headers={"Cookie": f"{SESSION_COOKIE}=x"}).status == 200


def test_a_missing_alert_and_an_invalid_search_are_shown_as_pages(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        gone = server.request("GET", f"/alerts/{SITE}/ffff")
        assert (gone.status, gone.headers["content-type"]) == (404, "text/html; charset=utf-8")
        wrong = server.request("GET", "/alerts?since=yesterday&hammer=HB-01")
        assert wrong.status == 422
        assert 'value="HB-01"' in wrong.text  # what was typed stays
        assert "Not a date" in wrong.text
        hostile = server.request("GET", "/alerts?" + urlencode({"hammer": "<script>alert(1)</script>"}))
        assert "<script>alert" not in hostile.text


def test_a_browser_gets_a_page_for_a_wrong_address_and_a_program_gets_json(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        page = server.request("GET", "/alert", headers={"Accept": "text/html,*/*;q=0.8"})
        assert (page.status, page.headers["content-type"]) == (404, "text/html; charset=utf-8")
        assert "There is no such page" in page.text
        assert server.request("GET", "/alert").json["error"] == "not found"
        assert server.request("POST", "/alert", {}, headers={"Accept": "text/html"}).json["error"]


@pytest.mark.parametrize("since_h", [0, 30])
def test_an_alert_is_shown_with_the_hours_around_it_from_memory_or_from_what_is_kept(
    tmp_path: Path, since_h: int
) -> None:
    with site(tmp_path) as server:
        server.work(NOW + since_h * 3600 * SECOND)
        server.fired(NOW - 60 * SECOND, NOW)
        server.wait(since_h * 3600 * SECOND)
        for path, timelines in (
            (f"/alerts/{SITE}/{server.alert}", 1),
            ("/open?timelines=", 0),
            ("/", 0),
        ):
            html = server.request("GET", path).text
            found = re.findall(
                r'<svg class="timeline".*?<path class="fired" d="(.*?)"/>.*?<path class="subject"', html
            )
            assert len(found) == timelines, path
            assert all(found), path
        for ident in re.findall(r'id="([^"]+)"', html := server.request("GET", "/alerts").text):
            assert html.count(f'id="{ident}"') == 1


def test_units_and_language_are_preferences_of_the_reader(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        descriptions = {
            units: server.request("GET", "/week", headers={"Cookie": f"strikewatch_choices={units}.en"}).text
            for units in ("us", "metric", "nonsense")
        }
        assert 'data-units="us"' in descriptions["us"]
        assert 'data-units="metric"' in descriptions["metric"]
        assert descriptions["nonsense"] == descriptions["metric"]
    formatting = Formatting(load_translations()["en"], "us")
    bare = {"fault": "same_spot", "evidence": {}, "summary": "Fired unknown s in one spot."}
    assert formatting.describe(bare) == "Fired unknown s in one spot."
    assert formatting.describe(bare | {"evidence": {"firing_s": 22.5}}) == "Fired 22.5 s in one spot."
    # Exact by definition: NIST SP 811 B.8: t_F = 1.8 t_C + 32; 1 psi = 6894.757 Pa.
    assert [formatting.temperature(80.0), formatting.pressure(150.0), formatting.duration(12.4)] == [
        "176 °F",
        "2,176 psi",
        "12.4 s",
    ]


def test_a_grouped_alert_describes_each_cause() -> None:
    """A length in feet: 1 ft = 0.3048 m exactly (NIST SP 811 B.8)."""
    metric, us = (Formatting(load_translations()["en"], units) for units in ("metric", "us"))
    record = {
        "fault": "end_of_stroke",
        "evidence": {
            "firing_end_s": 1.5,
            "cylinders": "boom stick",
            "firing_off_square_s": 2.0,
            "tilt_max_deg": 21.3,
            "causes": "end_of_stroke off_square",
        },
        "summary": "",
    }
    assert metric.describe(record) == (
        "Fired 1.5 s with a cylinder at the end of its stroke (boom, stick). "
        "Fired 2.0 s with the tool up to 21° off square."
    )
    alone = record | {"evidence": {"firing_end_s": 1.5, "cylinders": "bucket"}}
    assert metric.advice(record).startswith(metric.advice(alone))
    assert metric.advice(record).endswith(metric.advice({"fault": "off_square", "evidence": {}}))
    assert metric.value("causes", "end_of_stroke off_square") == (
        "Firing at a cylinder's end, Tool not square to the surface"
    )
    wet = {"fault": "submerged", "evidence": {"firing_submerged_s": 3.0, "water_max_m": 0.762}, "summary": ""}
    assert "up to 0.76 m above" in metric.describe(wet)
    assert "up to 2.5 ft above" in us.describe(wet)


def test_every_fault_has_texts_that_fit_its_evidence() -> None:
    formatting = Formatting(load_translations()["en"])
    for fault in (fault for detector in DETECTORS for fault in detector.faults):
        record = {
            "fault": fault.name,
            "evidence": dict.fromkeys(fault.evidence, 1),
            "summary": "as found",
        }
        assert formatting.fault_name(fault.name) != fault.name
        assert formatting.advice(record), fault.name
        if formatting.translation.has(f"fault.{fault.name}.description"):
            assert formatting.describe(record) != "as found", fault.name
        for name in fault.evidence:
            assert formatting.translation.has(f"evidence.{name}"), name


def test_every_event_and_state_of_an_alert_has_words() -> None:
    translation = load_translations()["en"]
    assert set(EVENT_KINDS) <= translation.table("event_of_alert").keys()
    assert set(STATES) == translation.table("state").keys()
    assert set(deliveries.STATES) == translation.table("delivery").keys()


def test_a_translation_is_one_more_file_and_a_wrong_one_is_named(tmp_path: Path) -> None:
    folder = tmp_path / "words"
    folder.mkdir()
    (folder / "eo.toml").write_text('[menu]\nnow = "Nun"\n')
    with site(tmp_path, words_folder=folder) as server:
        html = server.request("GET", "/", headers={"Cookie": "strikewatch_choices=metric.eo"}).text
        assert 'lang="eo"' in html
        assert ">Nun<" in html
        assert ">Alerts<" in html
    (folder / "eo.toml").write_text('[menu]\nnau = "Nun"\n')
    with pytest.raises(SettingsError, match=r"eo\.toml: menu\.nau is not a text of the page"):
        load_translations(folder)


def test_a_translation_with_earlier_names_of_texts_is_read(tmp_path: Path) -> None:
    (tmp_path / "eo.toml").write_text(
        '[sheet]\nnow = "Nun"\n[write]\nmend = "Ripari"\n[now]\nrest = "Finitaj ({n})"\n'
        '[fault.same_spot]\ntold = "Frapis {firing_s}."\ndo = "Haltu."\n'
        '[week]\nlittle = "tro malmulte"\n'
    )
    formatting = Formatting(load_translations(tmp_path)["eo"])
    translation = formatting.translation
    assert [translation("menu.now"), translation("log.fix")] == ["Nun", "Ripari"]
    assert translation("now.ended", n=3) == "Finitaj (3)"
    record = {"fault": "same_spot", "evidence": {"firing_s": 22.5}, "summary": ""}
    assert (formatting.describe(record), formatting.advice(record)) == ("Frapis 22.5 s.", "Haltu.")


def test_a_change_of_temperature_is_said_in_words() -> None:
    formatting, us = (Formatting(load_translations()["en"], units) for units in ("metric", "us"))
    assert formatting.value("slope_c_per_min", 0.36) == "rising 0.4 °C a minute"
    assert formatting.value("slope_c_per_min", -1.0) == "falling 1.0 °C a minute"
    assert us.value("slope_c_per_min", 1.0) == "rising 1.8 °F a minute"


def test_faults_that_can_only_be_inferred_are_listed_on_the_first_page(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        server.work(NOW)
        html = server.request("GET", "/", headers=server.cookie(server.token("site office", "view")))
        assert "What is less certain, and why" in html.text
        assert (
            "spots are told apart by pauses only: no tool position east and tool position north in the feed"
            in html.text
        )
        assert "no engine speed in the feed" in html.text


def test_a_hammers_own_page_shows_its_day_its_clocks_and_what_its_feed_cannot_show(tmp_path: Path) -> None:
    sites = {
        "names": {SITE: "Fennick Hollow"},
        "carriers": {HAMMER: "EX-21"},
        "contact": {"role": "shift foreman", "phone": "+44 1632 960101"},
        "contacts": {f"{SITE}/{HAMMER}": {"role": "bench foreman", "phone": "+44 1632 960102"}},
    }
    with site(tmp_path, sites=sites) as server:
        cookie = server.cookie(server.token("site office", "act"))
        assert server.request("GET", f"/hammers/{SITE}/{HAMMER}", headers=cookie).status == 404
        server.work(NOW, Event(SITE, HAMMER, "sign_on", NOW - 60 * SECOND, {"operator": "op-14"}))
        server.fired(NOW - 60 * SECOND, NOW)
        html = server.request("GET", f"/hammers/{SITE}/{HAMMER}", headers=cookie).text
        for words in (
            "EX-21",
            'href="tel:+441632960102"',
            "Call bench foreman",
            "Fennick Hollow",
            "Firing in one spot",  # its alert, and a setting
            "op-14",
            "no pressure in the feed",  # why blank firing is not monitored, in words
            "of the minutes since the first data of today",
            "Take out of service",
            "15 s",
            ">2 min</td>",  # a minute on record, and the one under way
        ):
            assert words in html, words
        shown = html.partition('id="standing"')[2]  # behind the values for the script
        assert not re.search(r"pressure_bar|hammer\.settings|limit_s|channel\.", shown)
        assert re.search(r'<svg class="timeline".*?height="150"', html)


def test_no_data_is_never_shown_as_nothing_wrong(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        cookie = server.cookie(server.token("site office", "act"))
        server.request("POST", f"/api/v1/alerts/{server.alert}/acknowledge", {}, headers=cookie)

        def reporting() -> str:
            html = server.request("GET", "/", headers=cookie).text
            return re.findall(r'<span id="reporting">(.*?)</span>', html)[0]

        assert reporting() == "no data: no hammer has been heard yet"
        server.wait(-60 * SECOND)
        server.work(NOW)
        assert reporting() == "1 of 1 reporting"
        server.wait(16 * SECOND)
        assert reporting() == "no data: no hammer is reporting"
