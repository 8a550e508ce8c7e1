"""The report: self-contained and accessible in a real browser, fair to operators; and the coaching notes."""

import re
from collections import Counter
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from playwright.sync_api import Browser
from pypdf import PdfReader

from strikewatch.detectors.registry import DETECTORS
from strikewatch.errors import InputError
from strikewatch.review import rates
from strikewatch.review.coaching import OWN, read
from strikewatch.review.data.tables import Feeds
from strikewatch.review.report import files, wording
from strikewatch.review.report.content import Report
from strikewatch.review.report.files import render_html
from tests.browser import CONTRAST, browser, strayed, violations
from tests.programs import need_program
from tests.review.invented import RATES, nothing, operators, report, tables, tables_of
from tests.review.invented import tables as invented
from tests.review.pictures import eight
from tests.review.test_operator_or_hammer import frames as frames_by_hammer
from tests.review.test_rates import MONDAY, SITE, USUAL, frames

LONG = "operator_with_a_very_long_pseudonym_in_one_word_0123456789_0123"
HOSTILE = '"><script>alert(1)</script>'


@cache
def _usual() -> Report:
    """Return a report with one operator far above the others, one without a fault, and one who never fired."""
    names = operators(6)
    return report(tables(names, times={names[2]: 3.0, names[0]: 0.0}, idle=names[5]), most=1)


CASES: dict[str, Callable[[], Report]] = {
    "usual": _usual,
    "sixteen": lambda: report(tables(operators(16)), most=0),
    "long names": lambda: report(tables([LONG, HOSTILE, *operators(2)]), most=1),
    "one operator": lambda: report(tables(operators(1))),
    "no faults": lambda: report(tables(operators(2), rate_of=dict.fromkeys(RATES, 0.0))),
    "eight": lambda: _eight(),
    "for one": lambda: report(tables(operators(3)), only="op-12"),
    "nothing": nothing,
}


CHECKED_BY_AXE = (("usual", 1200), ("long names", 360), ("no faults", 360), ("nothing", 360))
"""Cases checked by axe, which takes a second per hundred charts; the others consist of the same parts."""


@cache
def _page(case: str) -> str:
    return render_html(CASES[case]())


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as chromium:
        yield chromium


@pytest.mark.parametrize("case", CASES)
def test_in_a_browser(chromium: Browser, tmp_path: Path, case: str) -> None:
    """Nothing is fetched, nothing is wider than the screen, and axe finds nothing, in light and dark mode."""
    (tmp_path / "review.html").write_text(_page(case), encoding="utf-8")
    address = (tmp_path / "review.html").as_uri()
    for width, scheme in ((360, "dark"), (1200, "light")):
        page = chromium.new_page(viewport={"width": width, "height": 800}, color_scheme=scheme)  # type: ignore[arg-type]  # literals
        asked, failed = strayed(page), list[str]()
        page.on("request", lambda request: failed.append(request.url) if request.url != address else None)  # noqa: B023
        page.on("console", lambda message: failed.append(message.text))  # noqa: B023
        page.goto(address)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        wide = page.evaluate(
            "w => [...document.querySelectorAll('body *:not(svg *, .wide *)')].filter(e => "
            "e.getBoundingClientRect().right > w + 1).map(e => e.outerHTML.slice(0, 80))",
            width,
        )
        assert wide == []
        if (case, width) in CHECKED_BY_AXE:
            coloured = case in ("usual", "long names")  # one in dark mode and one in light mode
            assert violations(page, without=() if coloured else (CONTRAST,)) == []
        assert [url for url in failed if not url.startswith("data:")] == []
        assert asked == []
        page.close()


@pytest.mark.parametrize("case", CASES)
def test_page_is_self_contained(case: str) -> None:
    """No scripts or external addresses, unique ids, and every link leads to an element of the page."""
    page = _page(case)
    assert not re.search(r"<script|<img|<iframe|https?:|@import|url\(", page)
    ids = Counter(re.findall(r'\bid="([^"]+)"', page))
    assert [name for name, n in ids.items() if n > 1] == []
    links = set(re.findall(r'href="#([^"]+)"', page))
    assert links <= ids.keys()
    labels = re.findall(r'aria-(?:labelledby|describedby)="([^"]+)"', page)
    assert set(" ".join(labels).split()) <= ids.keys()


def test_names_are_escaped() -> None:
    page = _page("long names")
    assert HOSTILE not in page
    assert "&lt;script&gt;" in page


def test_no_league_table() -> None:
    """Operators are always listed in the order of their ids, not of their rates."""
    report_ = _usual()
    (site,) = report_.sites
    people = [person.operator for person in site.people]
    assert people == sorted(people)
    assert [operator for operator, _ in site.table.rows] == people
    assert [person.operator for person in site.coached] == ["op-13"]
    assert site.people[0].summary == "No faults in this period"
    assert site.people[5].summary == "No firing in this period"


def test_unassigned_faults_are_shown_but_not_compared() -> None:
    (site,) = _usual().sites
    assert sum(line.count for line in site.unassigned) > 0
    assert all(line.standing == "" and line.verdict == "" for line in site.unassigned)
    assert "unassigned" not in {person.operator for person in site.people}
    assert "unassigned" not in {operator for operator, _ in site.table.rows}


def test_a_report_for_one_operator_names_nobody_else() -> None:
    page = _page("for one")
    assert set(re.findall(r"op-\d+", page)) == {"op-12"}
    assert ">unassigned" not in page


def test_the_first_page_says_what_to_do_next() -> None:
    """Whom to coach on what, with the reason and the moments to show; then what the site should work on."""
    (site,) = _usual().sites
    assert site.actions[0].what.startswith("Coach op-13 on ")
    assert "times the" in site.actions[0].why
    (person,) = site.coached
    assert [topic.advice for topic in person.topics] == [
        read().notes[topic.fault].instead[0] for topic in person.topics
    ]
    assert 1 <= len(site.cards) <= 3
    named = {name for card in site.cards for name in re.findall(r"op-\d+", card.spread)}
    assert named == {"op-13"}
    page = _page("usual")
    assert (
        page.index("what to do next</h2>")
        < page.index("Whom to coach, on what</h3>")
        < page.index("what to work on</h2>")
        < page.index("How sure this is</h3>")
        < page.index('class="person"')
        < page.index("Appendix</h2>")
        < page.index("Rates compared</h3>")
    )


def test_only_operators_to_coach_are_unfolded() -> None:
    """On screen; on paper everything is."""
    folds = re.findall(r'<details class="(\w+)"( open)?>', _page("usual"))
    assert [kind for kind, open_ in folds if open_] == ["person"]
    assert all(
        open_
        for _, open_ in re.findall(r"<details class=(\S+)( open)>", render_html(_usual(), unfolded=True))
    )
    assert "<details" in render_html(_usual(), unfolded=True)


def test_a_hammer_that_everybody_has_the_fault_on_is_to_be_inspected() -> None:
    """And nobody is coached on what the hammer does."""
    on_good = [("HB-01", name, 30.0, 14) for name in operators(8)[3:]]
    on_bad = [("HB-03", name, 12.0, 14) for name in operators(3)]
    exposure, faults = frames_by_hammer(*on_good, *on_bad)
    nan = {"blows": np.nan, "blank_blows": np.nan}
    (site,) = report(tables_of(exposure.assign(**nan), faults), most=0).sites
    assert site.actions[0].what == "Have HB-03 inspected."
    assert site.coached == []


def test_rates_are_compared_only_where_somebody_can_be_judged() -> None:
    (site,) = report(
        invented(operators(8), rate_of={name: rate / 60 for name, rate in RATES.items()}), most=0
    ).sites
    assert site.table.rows == ()
    assert site.comparisons == []
    assert "Coach nobody on these numbers yet." in [action.what for action in site.actions]
    assert any("nobody can be judged yet. " in words for words in site.certainty)
    assert not any(action.what.startswith("Raise") for action in site.actions)


_eight = cache(eight)


def test_what_came_of_talks_is_on_the_first_pages_and_on_the_operators_page() -> None:
    (site,) = _eight().sites
    assert [words for words in site.improved if "coached 1 Jun 2026: fewer since the talk" in words]
    assert [
        words for words in site.open_talks if words.startswith("op-18, working with hot oil, coached 10 Jun")
    ]
    assert any("op-77" in words and "check the id" in words for words in site.certainty)
    person = site.people[2]
    assert [
        words for words in person.talks if words.startswith("Too long in one spot, coached 1 Jun 2026: fewer")
    ]
    assert person.progress
    assert ">coached 1 Jun</text>" in person.progress.svg


def test_eight_operators_take_few_pages_and_few_screens(chromium: Browser, tmp_path: Path) -> None:
    """At most 14 pages of A4, one for each operator; on a phone at most 15 screens before the appendix."""
    (tmp_path / "folded.html").write_text(render_html(_eight()), encoding="utf-8")
    (tmp_path / "open.html").write_text(render_html(_eight(), unfolded=True), encoding="utf-8")
    files.print_pdf(need_program("chromium"), tmp_path / "open.html", tmp_path / "review.pdf")
    pages = [page.extract_text() for page in PdfReader(tmp_path / "review.pdf").pages]
    assert len(pages) <= 14
    assert [re.findall(r"op-\d+", page)[0] for page in pages[2:10]] == operators(8)
    phone = chromium.new_page(viewport={"width": 360, "height": 800})
    phone.goto((tmp_path / "folded.html").as_uri())
    assert phone.evaluate("document.getElementById('appendix').getBoundingClientRect().top") <= 15 * 800
    phone.close()


def test_with_many_to_coach_every_page_is_folded_and_the_first_part_says_whom(
    chromium: Browser, tmp_path: Path
) -> None:
    names = operators(10)
    many = report(tables(names, dict.fromkeys(names[:4], 4.0), weeks=8), most=3)
    assert len(many.sites[0].coached) >= 3
    page = render_html(many)
    assert not re.findall(r'<details class="person" open>', page)
    (tmp_path / "folded.html").write_text(page, encoding="utf-8")
    phone = chromium.new_page(viewport={"width": 360, "height": 800})
    phone.goto((tmp_path / "folded.html").as_uri())
    assert phone.evaluate("document.getElementById('appendix').getBoundingClientRect().top") <= 15 * 800
    phone.close()


def test_an_empty_report_says_why() -> None:
    assert "No work is on record in this time." in _page("nothing")


NOBODY = wording.NOBODY_STANDS_OUT


def overall(*people: tuple[str, float, dict[str, int]]) -> str:
    table = rates.operators(*frames(*people))
    return wording.overall_verdict(table[table["fault"] == "same_spot"])


def test_with_enough_data_a_spread_fault_concerns_everybody() -> None:
    assert overall(*USUAL) == NOBODY


def test_with_too_little_data_nothing_is_concluded() -> None:
    text = overall(*[(f"op-{i}", 0.5, {"same_spot": 1}) for i in range(11, 19)])
    assert text.startswith(wording.NOT_ENOUGH)
    assert NOBODY not in text


def test_operators_who_cannot_be_judged_are_counted() -> None:
    """The two who can be judged do not represent the six others."""
    few = [(f"op-{i}", 0.9, {"same_spot": 1}) for i in range(20, 26)]
    text = overall(*((name, 8.0, {"same_spot": 8}) for name in ("op-11", "op-12")), *few)
    assert text.startswith(wording.NOT_ENOUGH)
    assert "6 of 8 operators cannot be judged on any fault yet" in text


def test_faults_without_occurrence_do_not_count_as_judged() -> None:
    """Without hot oil, all are as the site; for spots there is too little data."""
    report_ = report(invented(operators(3), rate_of={"same_spot": 0.02}), most=0)
    (site,) = report_.sites
    if site.cards:
        assert site.overall.startswith(wording.NOT_ENOUGH)
        assert {person.summary for person in site.people} <= {
            "Not enough data to judge yet",
            "No faults in this period",
        }


def test_no_overall_verdict_if_an_operator_stands_out() -> None:
    assert overall(*USUAL, ("op-15", 10.0, {"same_spot": 90})) == ""


def test_a_fault_that_cannot_be_found_is_not_reported_as_none() -> None:
    feeds = Feeds.of(
        {(SITE, "HB-01"): [("hot_oil", "no oil_c")], (SITE, "HB-02"): [("hot_oil", "x"), ("prying", "y")]}, {}
    )
    text = list(
        wording.faults_without_occurrence(
            ["same_spot", "hot_oil", "prying"], SITE, ["HB-01", "HB-02"], feeds, read()
        )
    )
    assert text == [
        "None in this period: too long in one spot, prying with the tool (not monitored on HB-02).",
        "Not monitored on any hammer: working with hot oil.",
    ]


@pytest.mark.parametrize("clustered", [False, True])
def test_widened_limits_are_not_called_exact(clustered: bool) -> None:
    report_ = invented(operators(5))
    for table in (report_.operators, report_.sites, report_.hammers):
        table["dispersion"], table["limits"] = (3.0, "widened") if clustered else (1.0, "exact")
    page = render_html(report(report_, most=0)).partition('id="reading"')[0]
    assert ("exact 95 % limits" in page) != clustered
    assert ("approximate, widened" in page) == clustered


def test_limits_too_wide_to_be_useful_are_left_out_of_page_and_files() -> None:
    exposure, faults = frames(*[(f"op-{i}", 40.0, {"same_spot": 80, "hot_oil": 1}) for i in range(11, 16)])
    table = rates.operators(
        exposure, faults.assign(onset=faults["onset"].where(faults["fault"] != "x", MONDAY))
    )
    assert (table.loc[table["fault"] == "hot_oil", "limits"] == "little").all()
    shown = files.without_wide_limits(table)
    wide = shown["limits"] == "little"
    assert shown.loc[wide, ["lower", "upper"]].isna().all(axis=None)
    assert np.isfinite(shown.loc[~wide & (shown["hours"] > 0), ["upper"]]).all(axis=None)
    text = files.to_json({"operators": table}, {})
    assert pd.notna(table.loc[wide, "upper"]).all()
    for upper in table.loc[wide, "upper"].unique():
        assert f"{upper:.6f}"[:7] not in text


_NOTE = '[same_spot]\nname = "x"\nwhat = "x"\nharm = "x"\ninstead = ["x"]\nask = "x"\ncare = "x"\n'
_HEAD = 'language = "de"\ncaution = "Vorsicht."\n'


def test_every_fault_of_an_operator_has_a_note() -> None:
    ours = {fault.name for detector in DETECTORS for fault in detector.faults if fault.of_operator}
    assert ours <= read().notes.keys()


def test_notes_can_be_translated(tmp_path: Path) -> None:
    """A fault without a note is shown by its identifier in words."""
    (tmp_path / "de.toml").write_text(_HEAD + _NOTE, encoding="utf-8")
    coaching = read(tmp_path / "de.toml")
    assert (coaching.language, coaching.caution, coaching.name("same_spot")) == ("de", "Vorsicht.", "x")
    assert coaching.name("hot_oil") == "Hot oil"


@pytest.mark.parametrize(
    ("text", "place"),
    [
        (None, "cannot be read"),
        ("language = ", "not TOML"),
        (_NOTE, "`language` and `caution`"),
        (_HEAD + _NOTE.replace('harm = "x"\n', ""), "same_spot.harm"),
        (_HEAD + _NOTE.replace('["x"]', '"x"'), "same_spot.instead"),
        (_HEAD + _NOTE + 'colour = "x"\n', "same_spot.colour"),
        (_HEAD + _NOTE.replace('ask = "x"', 'ask = " "'), "same_spot.ask"),
        (_HEAD + 'hot_oil = "text"\n' + _NOTE, "hot_oil"),
    ],
)
def test_an_invalid_file_is_an_error_that_names_the_place(
    tmp_path: Path, text: str | None, place: str
) -> None:
    path = tmp_path / "notes.toml"
    if text is not None:
        path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read(path)
    assert str(path) in str(caught.value)
    assert place in str(caught.value)
    assert text is None or str(OWN) in str(caught.value)
