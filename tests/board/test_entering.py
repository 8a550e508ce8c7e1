"""What people write down: checked like a gateway's, on record with who, correctable by another entry, never changed."""

import re
from pathlib import Path

import pytest

from strikewatch.model.events import Event
from strikewatch.model.instant import SECOND
from strikewatch.store.noted import Noted
from tests.board.site import HAMMER, NOW, SITE, site

EVENTS = f"/api/v1/hammers/{HAMMER}/events"
GREASE = {"event": "grease", "time": "2026-02-25T06:13:00Z", "strokes": [12, 12]}


def test_an_entry_is_on_record_with_who_and_reaches_the_processor(tmp_path: Path) -> None:
    with site(tmp_path) as at:
        act = at.token("site office", "act")
        noted = Noted(at.store)
        made = at.ask("POST", EVENTS, GREASE, act)
        assert made.status == 200, made.text
        assert (made.json["who"], made.json["fields"]) == ("site office", {"strokes": [12, 12]})
        assert [(one.site, one.hammer, one.kind) for one in noted.take()] == [(SITE, HAMMER, "grease")]
        assert (
            at.ask("POST", EVENTS, GREASE, act).json == made.json
        )  # sent again by a phone that heard no answer
        assert noted.take() == []
        assert at.ask("GET", EVENTS, token=act).json == {"events": [made.json]}


def test_a_wrong_entry_is_corrected_by_another_and_both_stay(tmp_path: Path) -> None:
    with site(tmp_path) as at:
        act = at.token("site office", "act")
        first = at.ask("POST", EVENTS, GREASE, act).json
        better = GREASE | {"strokes": [15, 14], "corrects": first["number"]}
        second = at.ask("POST", EVENTS, better, act).json
        listed = at.ask("GET", EVENTS, token=act).json["events"]
        assert [one["number"] for one in listed] == [second["number"], first["number"]]
        assert (listed[0]["corrects"], listed[1]["corrected_by"]) == (first["number"], second["number"])
        assert listed[1]["fields"] == {"strokes": [12, 12]}
        other = GREASE | {"strokes": [1, 1], "corrects": first["number"]}
        assert at.ask("POST", EVENTS, other, act).status == 409
        assert at.ask("POST", EVENTS, GREASE | {"corrects": 999}, act).status == 404


def test_what_cannot_be_used_names_the_field_and_changes_nothing(tmp_path: Path) -> None:
    with site(tmp_path) as at:
        act, view = at.token("site office", "act"), at.token("wall screen", "view")
        for wrong, field in (
            ({"strokes": [-1]}, "strokes[0]"),
            ({"strokes": "many"}, "strokes"),
            ({"time": "yesterday"}, "time"),
            ({"time": "2099-01-01T00:00:00Z"}, "time"),
            ({"bore": 3}, "bore"),
            ({"event": "greased"}, "event"),
        ):
            got = at.ask("POST", EVENTS, GREASE | wrong, act)
            assert (got.status, list(got.json["fields"])) == (422, [field]), got.text
        assert at.ask("POST", EVENTS, GREASE, view).status == 403
        assert at.ask("POST", EVENTS.replace(HAMMER, "HB-99"), GREASE, act).status == 404
        assert at.ask("GET", EVENTS, token=act).json == {"events": []}


def test_an_hour_meter_that_reads_less_is_taken_with_a_reason_only(tmp_path: Path) -> None:
    with site(tmp_path) as at:
        act = at.token("site office", "act")
        at.work(NOW, Event(SITE, HAMMER, "hours", NOW - 30 * SECOND, {"meter_h": 1234.5}))
        sheet = at.ask("GET", "/write", headers=at.cookie(act)).text
        assert "it stands at 1,234.5 h" in sheet
        read = {"event": "hours", "time": "2026-02-25T06:14:00Z"}
        wrong = at.ask("POST", EVENTS, read | {"meter_h": 1200}, act)
        assert wrong.status == 422
        assert "below the 1,234.5 h that the meter stood at" in wrong.json["fields"]["meter_h"]
        assert at.ask("POST", EVENTS, read | {"meter_h": 1234.6}, act).status == 200
        # an hour earlier it may have stood an hour lower
        early = read | {"time": "2026-02-25T05:14:00Z", "meter_h": 1233.8}
        assert at.ask("POST", EVENTS, early, act).status == 200
        for reason in ("moved", "replaced", "corrected"):
            one = at.ask("POST", EVENTS, read | {"meter_h": 17.0, "reason": reason}, act)
            assert one.status == 200, one.text


@pytest.mark.parametrize(
    ("readings", "told"),
    [
        ({"bushing": "second_groove_visible"}, "Lower bushing: use it on."),
        ({"bushing": "second_groove_faint", "turned_before": False}, "Lower bushing: turn it, once."),
        ({"bushing": "second_groove_faint", "turned_before": True}, "Lower bushing: replace it."),
        ({"bore_mm": 120.0}, "Lower bushing. No limit of the bore is set"),
        ({"tool_length_mm": 700.0}, "Tool. No limit"),
    ],
)
def test_what_an_inspection_means_is_told_as_soon_as_it_is_saved(
    tmp_path: Path, readings: dict[str, object], told: str
) -> None:
    """Two grooves: common practice, no published source."""
    with site(tmp_path) as at:
        act = at.token("site office", "act")
        at.work(NOW)
        assert at.ask("POST", EVENTS, {"event": "inspection", **readings}, act).status == 200
        shown = re.sub(r"<[^>]+>", "", at.ask("GET", "/write", headers=at.cookie(act)).text)
        assert told in shown
        assert "Advice, never a safety function" in shown


def test_a_corrected_greasing_says_that_its_clock_is_not_turned_back(tmp_path: Path) -> None:
    with site(tmp_path) as at:
        act = at.token("site office", "act")
        at.work(NOW)
        first = at.ask("POST", EVENTS, GREASE, act).json
        note = "the clocks that it set are not turned back"
        entry = re.compile(rf'<li class="replaced" id="entry-{first["number"]}">.*?</li>', re.S)
        assert not entry.search(at.ask("GET", "/write", headers=at.cookie(act)).text)
        at.ask("POST", EVENTS, GREASE | {"strokes": [15, 14], "corrects": first["number"]}, act)
        found = entry.search(at.ask("GET", "/write", headers=at.cookie(act)).text)
        assert found
        assert note in found[0]


def test_all_that_a_phone_can_write_down_is_taken(tmp_path: Path) -> None:
    with site(tmp_path) as at:
        act = at.token("site office", "act")
        at.work(NOW)
        for event in (
            {"event": "tool_change", "tool": "moil", "serial": "T-9", "material": "steel", "reason": "worn"},
            {"event": "work", "work": "trenching", "hard": True, "cut_edge": True},
            {"event": "inspection", "tool_length_mm": 900.5, "bushing_new": True},
            {"event": "storage", "state": "in"},
            {"event": "service"},
            {"event": "hours", "meter_h": 7.0},
        ):
            assert at.ask("POST", EVENTS, event, act).status == 200, event
            assert f'data-event="{event["event"]}"' in at.ask("GET", "/write", headers=at.cookie(act)).text


def test_a_tool_that_does_not_suit_the_work_is_noted_where_both_are_written_down(tmp_path: Path) -> None:
    """Common practice: a moil for trenching. The note goes once another tool is fitted."""
    with site(tmp_path) as at:
        act = at.token("site office", "act")
        at.work(NOW)
        for minute, more in (
            (1, {"event": "work", "work": "trenching"}),
            (2, {"event": "tool_change", "tool": "blunt"}),
            (3, {"event": "tool_change", "tool": "moil"}),
        ):
            assert at.ask("POST", EVENTS, more | {"time": f"2026-02-25T06:0{minute}:00Z"}, act).status == 200
            sheet = at.ask("GET", "/write", headers=at.cookie(act)).text
            noted = "The blunt tool fitted is not what suits the recorded work (trenching)" in sheet
            assert noted == (minute == 2)
            assert (
                "no published source" in sheet.partition('id="unsuited"')[2].partition("</p>")[0]
            ) == noted
