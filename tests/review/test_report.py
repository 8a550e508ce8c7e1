"""The report's page in a real browser: self-contained, accessible, for every screen size; and fair to operators."""

import re
from collections import Counter
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from strikewatch.review.report.content import Report
from strikewatch.review.report.files import render_html
from tests.browser import browser, strayed, violations
from tests.review.invented import RATES, nothing, operators, report, tables

LONG = "operator_with_a_very_long_pseudonym_in_one_word_0123456789_0123"
HOSTILE = '"><script>alert(1)</script>'


@cache
def _usual() -> Report:
    """Return a report with one operator far above the others, one without a fault, and one who never fired."""
    names = operators(6)
    return report(tables(names, times={names[2]: 3.0, names[0]: 0.0}, idle=names[5]), most=1)


CASES: dict[str, Callable[[], Report]] = {
    "usual": _usual,
    "forty": lambda: report(tables(operators(40)), most=0),
    "long names": lambda: report(tables([LONG, HOSTILE, *operators(2)]), most=1),
    "one operator": lambda: report(tables(operators(1))),
    "no faults": lambda: report(tables(operators(3), rate_of=dict.fromkeys(RATES, 0.0))),
    "for one": lambda: report(tables(operators(6)), only="op-12"),
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
            "w => [...document.querySelectorAll('body *:not(svg *)')].filter(e => "
            "e.getBoundingClientRect().right > w + 1).map(e => e.outerHTML.slice(0, 80))",
            width,
        )
        assert wide == []
        if (case, width) in CHECKED_BY_AXE:
            assert violations(page) == []
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
    for comparison in site.comparisons:
        assert [line.who for line in comparison.lines] == people
    assert [person.operator for person in site.people if person.coach] == ["op-13"]
    assert site.people[0].summary == "No faults in this period"
    assert site.people[5].summary == "No firing in this period"


def test_unassigned_faults_are_shown_but_not_compared() -> None:
    (site,) = _usual().sites
    assert sum(line.count for line in site.unassigned) > 0
    assert all(line.standing == "" and line.verdict == "" for line in site.unassigned)
    assert "unassigned" not in {person.operator for person in site.people}
    assert "unassigned" not in {line.who for comparison in site.comparisons for line in comparison.lines}


def test_a_report_for_one_operator_names_nobody_else() -> None:
    page = _page("for one")
    assert set(re.findall(r"op-\d+", page)) == {"op-12"}
    assert ">unassigned" not in page


def test_the_first_page_is_about_the_site() -> None:
    """What to work on comes first, and names only operators who stand out."""
    (site,) = _usual().sites
    assert 1 <= len(site.cards) <= 3
    assert "op-13" in site.cards[0].spread
    named = {name for card in site.cards for name in re.findall(r"op-\d+", card.spread)}
    assert named == {"op-13"}
    page = _page("usual")
    assert (
        page.index("what to work on</h2>")
        < page.index("Whom to coach, on what</h2>")
        < page.index(">Rates compared</h2>")
    )


def test_an_empty_report_says_why() -> None:
    assert "No work is on record in this time." in _page("nothing")
