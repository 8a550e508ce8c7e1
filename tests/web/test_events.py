"""Logged events: checked as those of gateways, recorded with the name, corrected by another entry, never changed."""

import re
from html import unescape
from pathlib import Path

import pytest

from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.detectors.maintenance.corrections import KEPT
from strikewatch.review.data.schemas import OPERATOR_FAULTS
from strikewatch.storage.actions.entries import ManualEvents
from strikewatch.web.pages.formatting import Formatting, load_translations
from tests.web.site import HAMMER, NOW, SITE, site

EVENTS = f"/api/v1/hammers/{HAMMER}/events"
GREASE = {"event": "grease", "time": "2026-02-25T06:13:00Z", "strokes": [12, 12]}


def test_an_entry_is_on_record_with_who_and_reaches_the_processor(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        manual_events = ManualEvents(server.store)
        saved = server.request("POST", EVENTS, GREASE, act)
        assert saved.status == 200, saved.text
        assert (saved.json["who"], saved.json["fields"]) == ("site office", {"strokes": [12, 12]})
        assert [(event.site, event.hammer, event.kind) for event in manual_events.fetch_new()] == [
            (SITE, HAMMER, "grease")
        ]
        assert (
            server.request("POST", EVENTS, GREASE, act).json == saved.json
        )  # sent again by a phone that received no response
        assert manual_events.fetch_new() == []
        assert server.request("GET", EVENTS, token=act).json == {"events": [saved.json]}


def test_a_wrong_entry_is_corrected_by_another_and_both_stay(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        first = server.request("POST", EVENTS, GREASE, act).json
        better = GREASE | {"strokes": [15, 14], "corrects": first["number"]}
        second = server.request("POST", EVENTS, better, act).json
        listed = server.request("GET", EVENTS, token=act).json["events"]
        assert [entry["number"] for entry in listed] == [second["number"], first["number"]]
        assert (listed[0]["corrects"], listed[1]["corrected_by"]) == (first["number"], second["number"])
        assert listed[1]["fields"] == {"strokes": [12, 12]}
        second_correction = GREASE | {"strokes": [1, 1], "corrects": first["number"]}
        assert server.request("POST", EVENTS, second_correction, act).status == 409
        assert server.request("POST", EVENTS, GREASE | {"corrects": 999}, act).status == 404


def test_an_invalid_entry_names_the_field_and_changes_nothing(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        act, view = server.token("site office", "act"), server.token("wall screen", "view")
        for wrong, field in (
            ({"strokes": [-1]}, "strokes[0]"),
            ({"strokes": "many"}, "strokes"),
            ({"time": "yesterday"}, "time"),
            ({"time": "2099-01-01T00:00:00Z"}, "time"),
            ({"bore": 3}, "bore"),
            ({"event": "greased"}, "event"),
        ):
            response = server.request("POST", EVENTS, GREASE | wrong, act)
            assert (response.status, list(response.json["fields"])) == (422, [field]), response.text
        assert server.request("POST", EVENTS, GREASE, view).status == 403
        assert server.request("POST", EVENTS.replace(HAMMER, "HB-99"), GREASE, act).status == 404
        assert server.request("GET", EVENTS, token=act).json == {"events": []}


def test_a_lower_hour_meter_reading_needs_a_reason(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        server.work(NOW, Event(SITE, HAMMER, "hours", NOW - 30 * SECOND, {"meter_h": 1234.5}))
        html = server.request("GET", "/write", headers=server.cookie(act)).text
        assert "Expected: 1,234.5 h" in html
        reading = {"event": "hours", "time": "2026-02-25T06:14:00Z"}
        wrong = server.request("POST", EVENTS, reading | {"meter_h": 1200}, act)
        assert wrong.status == 422
        assert "below the 1,234.5 h that the meter had reached" in wrong.json["fields"]["meter_h"]
        assert server.request("POST", EVENTS, reading | {"meter_h": 1234.6}, act).status == 200
        # an hour earlier it may have stood an hour lower
        early = reading | {"time": "2026-02-25T05:14:00Z", "meter_h": 1233.8}
        assert server.request("POST", EVENTS, early, act).status == 200
        for reason in ("moved", "replaced", "corrected"):
            response = server.request("POST", EVENTS, reading | {"meter_h": 17.0, "reason": reason}, act)
            assert response.status == 200, response.text


@pytest.mark.parametrize(
    ("readings", "advice"),
    [
        ({"bushing": "second_groove_visible"}, "Lower bushing: keep in use."),
        ({"bushing": "second_groove_faint", "turned_before": False}, "Lower bushing: turn it, once."),
        ({"bushing": "second_groove_faint", "turned_before": True}, "Lower bushing: replace it."),
        ({"bore_mm": 120.0}, "Lower bushing. No limit of the bore is set; see the operator"),
        ({"tool_length_mm": 700.0}, "Tool. No limit"),
    ],
)
def test_advice_on_an_inspection_is_shown_once_it_is_saved(
    tmp_path: Path, readings: dict[str, object], advice: str
) -> None:
    """Two grooves: common practice, no published source."""
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        server.work(NOW)
        assert server.request("POST", EVENTS, {"event": "inspection", **readings}, act).status == 200
        html = re.sub(r"<[^>]+>", "", server.request("GET", "/write", headers=server.cookie(act)).text)
        assert advice in html
        assert "Advice, never a safety function" in html


def test_an_entry_that_was_corrected_or_withdrawn_says_that_it_no_longer_sets_a_timer(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        server.work(NOW)
        first = server.request("POST", EVENTS, GREASE, act).json
        entry = re.compile(r'<li class="replaced" id="entry-(\d+)" tabindex="-1">.*?</li>', re.S)
        assert not entry.search(server.request("GET", "/write", headers=server.cookie(act)).text)
        better = {**GREASE, "strokes": [15, 14], "corrects": first["number"]}
        second = server.request("POST", EVENTS, better, act).json
        assert second["fields"]["corrects"] == {"event": "grease", "time": "2026-02-25T06:13:00.000000Z"}
        withdrawal = {"event": "withdrawal", "corrects": second["number"]}
        withdrawn = server.request("POST", EVENTS, withdrawal, act)
        assert withdrawn.status == 200, withdrawn.text
        assert server.request("POST", EVENTS, withdrawal, act).json == withdrawn.json  # pressed twice
        html = server.request("GET", "/write", headers=server.cookie(act)).text
        lines = {found[1]: found[0] for found in entry.finditer(html)}
        assert "replaced by a later entry; it no longer sets a timer" in lines[str(first["number"])]
        assert "withdrawn; it no longer sets a timer" in lines[str(second["number"])]
        again = {"event": "withdrawal", "corrects": withdrawn.json["number"]}
        assert server.request("POST", EVENTS, again, act).status == 409


def test_a_talk_with_an_operator_is_logged_corrected_and_shown(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        act = server.token("trainer", "act")
        server.work(NOW)
        talk = {"event": "coached", "time": "2026-02-25T06:13:00Z", "operator": "op-14", "fault": "same_spot"}
        saved = server.request("POST", EVENTS, talk, act)
        assert saved.json["fields"] == {"operator": "op-14", "fault": "same_spot"}
        unknown = server.request("POST", EVENTS, talk | {"fault": "hot_soil"}, act)
        assert unknown.status == 422
        assert "choose one of same_spot" in unknown.json["fields"]["fault"]
        better = talk | {"fault": "hot_oil", "corrects": saved.json["number"]}
        assert server.request("POST", EVENTS, better, act).status == 200
        html = server.request("GET", "/write", headers=server.cookie(act)).text
        assert "<b>Operator coached</b> Hot oil, Operator: op-14" in " ".join(html.split())


def test_the_form_of_a_talk_has_the_fields_of_its_event(tmp_path: Path) -> None:
    """Every fault that operators can be coached on can be chosen, by its name."""
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        server.work(NOW)
        html = unescape(server.request("GET", "/write", headers=server.cookie(act)).text)
    form = html[html.index('data-event="coached"') :].partition("</form>")[0]
    assert re.findall(r'name="(\w+)" required', form) == ["operator", "fault"]
    assert re.findall(r'<option value="(\w+)"', form) == list(OPERATOR_FAULTS)
    formatting = Formatting(load_translations()["en"])
    assert all(f">{formatting.fault_name(fault)}<" in form for fault in OPERATOR_FAULTS)


EMPTY = [
    ({"event": "grease"}, "strokes"),
    ({"event": "grease", "note": "as always"}, "strokes"),
    ({"event": "inspection"}, "bushing"),
    ({"event": "inspection", "turned_before": True}, "bushing"),
    ({"event": "service"}, "seals"),
    ({"event": "service", "seals": False}, "seals"),
    ({"event": "relearn"}, "note"),
    ({"event": "coached", "fault": "same_spot"}, "operator"),
    ({"event": "coached", "operator": "op-14"}, "fault"),
    ({"event": "withdrawal"}, "corrects"),
    ({"event": "check"}, "result"),
    ({"event": "storage"}, "state"),
    ({"event": "hours"}, "meter_h"),
]


def test_an_empty_form_saves_nothing_and_says_what_is_missing(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        server.work(NOW)
        for event, field in EMPTY:
            response = server.request("POST", EVENTS, event, act)
            assert (response.status, list(response.json["fields"])) == (422, [field]), response.text
            # What is missing cannot be confirmed.
            assert "confirm" not in response.json
            assert server.request("POST", EVENTS, {**event, "confirmed": True}, act).status == 422
        assert server.request("GET", EVENTS, token=act).json == {"events": []}


UNUSUAL = [
    ({"event": "inspection", "tool_mm": 0.5}, "tool_mm", "129 mm last time; is 0.5 mm right?"),
    ({"event": "inspection", "tool_mm": 131}, "tool_mm", "wear makes it less; is 131 mm right"),
    ({"event": "inspection", "bore_mm": 140}, "bore_mm", "wear makes it more; is 140 mm right"),
    ({"event": "inspection", "bore_mm": 1434}, "bore_mm", "143.4 mm last time; is 1434 mm right?"),
    ({"event": "grease", "strokes": [500, 12]}, "strokes[0]", "10 to 20 strokes are usual; is 500 right?"),
    ({"event": "check", "result": "ok", "time": "2025-02-25T06:00:00Z"}, "time", "365 days ago"),
    ({"event": "service", "seals": True, "time": "2026-02-20T06:00:00Z"}, "time", "before the last service"),
]


def test_what_is_unusual_is_asked_about_and_the_answer_is_on_record(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        server.work(NOW)
        for known in (
            {"event": "inspection", "time": "2026-02-24T06:00:00Z", "bore_mm": 143.4, "tool_mm": 129},
            {"event": "service", "time": "2026-02-24T07:00:00Z", "seals": True, "diaphragms": True},
        ):
            assert server.request("POST", EVENTS, known, act).status == 200
        for event, field, question in UNUSUAL:
            before = server.request("GET", EVENTS, token=act).text
            response = server.request("POST", EVENTS, event, act)
            assert (response.status, response.json["confirm"], list(response.json["fields"])) == (
                422,
                True,
                [field],
            ), response.text
            assert question in response.json["fields"][field]
            assert server.request("GET", EVENTS, token=act).text == before
            saved = server.request("POST", EVENTS, {**event, "confirmed": True}, act)
            assert saved.status == 200, saved.text
            assert saved.json["fields"]["confirmed"] is True
            withdrawal = {"event": "withdrawal", "corrects": saved.json["number"]}
            assert (
                server.request("POST", EVENTS, withdrawal, act).status == 200
            )  # and counts for the next question no more


IMPOSSIBLE = [
    ({"event": "inspection", "bore_mm": 130.0, "tool_mm": 131.0}, "tool_mm", "does not go into"),
    ({"event": "grease", "strokes": [0, 0]}, "strokes[0]", "nothing was greased"),
    ({"event": "hours", "meter_h": 152300.0}, "meter_h", "cannot run faster than time"),
    ({"event": "service", "seals": True, "time": "2026-03-25T06:00:00Z"}, "time", "in the future"),
]


def test_what_cannot_be_is_refused_even_if_confirmed(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        server.work(NOW)
        known = {"event": "hours", "time": "2026-02-24T06:00:00Z", "meter_h": 1523.0}
        assert server.request("POST", EVENTS, known, act).status == 200
        for event, field, why in IMPOSSIBLE:
            response = server.request("POST", EVENTS, {**event, "confirmed": True}, act)
            assert (response.status, list(response.json["fields"])) == (422, [field]), response.text
            assert why in response.json["fields"][field]
            assert "confirm" not in response.json
        replaced = {"event": "hours", "meter_h": 152300.0, "reason": "replaced"}
        assert server.request("POST", EVENTS, replaced, act).status == 200


def test_without_an_earlier_reading_the_profile_says_what_is_unusual(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        server.work(NOW)
        response = server.request("POST", EVENTS, {"event": "inspection", "tool_mm": 0.5}, act)
        assert "30 to 300 mm are usual; is 0.5 mm right?" in response.json["fields"]["tool_mm"]


def test_an_entry_too_old_to_set_its_clock_anew_cannot_be_corrected(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        server.work(NOW)
        numbers = [
            server.request("POST", EVENTS, {**GREASE, "time": f"2026-02-25T05:{k:02d}:00Z"}, act).json[
                "number"
            ]
            for k in range(KEPT + 1)
        ]
        old, newer = ({"event": "withdrawal", "corrects": number} for number in numbers[:2])
        refused = server.request("POST", EVENTS, old, act)
        assert refused.status == 409
        assert f"too old to be corrected: only the last {KEPT} entries can be" in refused.json["error"]
        assert server.request("POST", EVENTS, newer, act).status == 200


def test_all_that_a_phone_can_write_down_is_taken(tmp_path: Path) -> None:
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        server.work(NOW)
        for event in (
            {"event": "tool_change", "tool": "moil", "serial": "T-9", "material": "steel", "reason": "worn"},
            {"event": "work", "work": "trenching", "hard": True, "cut_edge": True},
            {"event": "inspection", "tool_length_mm": 900.5, "bushing_new": True},
            {"event": "storage", "state": "in"},
            {"event": "service", "seals": True, "diaphragms": True},
            {"event": "hours", "meter_h": 7.0},
        ):
            assert server.request("POST", EVENTS, event, act).status == 200, event
            assert (
                f'data-event="{event["event"]}"'
                in server.request("GET", "/write", headers=server.cookie(act)).text
            )


def test_a_tool_that_does_not_suit_the_work_is_noted_where_both_are_written_down(tmp_path: Path) -> None:
    """Common practice: a moil for trenching. The note goes once another tool is fitted."""
    with site(tmp_path) as server:
        act = server.token("site office", "act")
        server.work(NOW)
        for minute, more in (
            (1, {"event": "work", "work": "trenching"}),
            (2, {"event": "tool_change", "tool": "blunt"}),
            (3, {"event": "tool_change", "tool": "moil"}),
        ):
            assert (
                server.request("POST", EVENTS, more | {"time": f"2026-02-25T06:0{minute}:00Z"}, act).status
                == 200
            )
            html = server.request("GET", "/write", headers=server.cookie(act)).text
            manual_events = "The fitted blunt tool does not suit the recorded work (trenching)" in html
            assert manual_events == (minute == 2)
            assert (
                "no published source" in html.partition('id="tool-note"')[2].partition("</p>")[0]
            ) == manual_events
