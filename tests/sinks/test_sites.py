"""Settings of the sites: the most specific one counts, and shifts end at the site's own time."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from pydantic import ValidationError

from strikewatch.sinks.sites import Contact, Sites

FOREMAN, FITTER, OFFICE = ({"role": role, "phone": f"+44 1632 96010{k}"} for k, role in enumerate("abc"))


def test_the_most_specific_contact_and_carrier_count() -> None:
    sites = Sites.model_validate(
        {
            "contact": OFFICE,
            "contacts": {"pit": FITTER, "HB-01": FOREMAN, "quay/HB-01": OFFICE},
            "carriers": {"HB-01": "EX-21", "quay/HB-01": "EX-31"},
        }
    )
    assert sites.contact_of("pit", "HB-01") == Contact(**FOREMAN)
    assert sites.contact_of("quay", "HB-01") == Contact(**OFFICE)
    assert sites.contact_of("pit", "HB-02") == Contact(**FITTER)
    assert sites.contact_of("moor", "HB-02") == Contact(**OFFICE)
    assert Sites().contact_of("pit", "HB-01") is None
    assert [sites.carrier_of(site, "HB-01") for site in ("pit", "quay")] == ["EX-21", "EX-31"]
    assert sites.carrier_of("pit", "HB-02") == ""


@pytest.mark.parametrize(
    ("local", "end"),
    [
        ("2026-03-28T17:59:59", "2026-03-28T18:00:00+00:00"),
        ("2026-03-28T18:00:00", "2026-03-29T06:00:00+01:00"),  # the clocks go forward in that night
        ("2026-10-24T23:00:00", "2026-10-25T06:00:00+00:00"),  # and back in this one
    ],
)
def test_the_next_end_of_a_shift_is_at_the_sites_own_time(local: str, end: str) -> None:
    sites = Sites(zone="Europe/Dublin")
    at = datetime.fromisoformat(local).replace(tzinfo=ZoneInfo("Europe/Dublin"))
    assert sites.shift_end("pit", at).isoformat() == end


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"contact": {"role": "foreman", "phone": "javascript:alert(1)"}}, "write it like"),
        ({"contact": {"role": "", "phone": "+44 1632 960101"}}, "at least 1 character"),
        ({"shift_ends": ["24:00"]}, "not a time of day"),
        ({"shift_ends": []}, "at least 1 item"),
    ],
)
def test_a_mistake_is_reported(table: dict[str, object], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Sites.model_validate(table)


def test_a_phone_number_becomes_a_link_of_rfc_3966() -> None:
    assert Contact(role="foreman", phone="+44 (0)1632 960-101").link == "tel:+4401632960101"
