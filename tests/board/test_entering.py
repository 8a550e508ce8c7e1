"""What people write down: checked like a gateway's, on record with who, correctable by another entry, never changed."""

from pathlib import Path

from strikewatch.store.noted import Noted
from tests.board.site import HAMMER, SITE, site

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
