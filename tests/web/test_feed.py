"""The health of mapped sources on the page, in readiness and in metrics."""

from pathlib import Path

from strikewatch.core.instant import SECOND
from strikewatch.sources.mapping import PassedOver, SourceHealth
from strikewatch.sources.mapping.sources import RejectCount
from tests.browser import browser, violations
from tests.web.site import NOW, site

AT = NOW + 30 * SECOND
SOURCES = (
    SourceHealth(
        "telem",
        ("v1/+/+/telem",),
        messages=900,
        values=2_700,
        last_heard_ns=AT,
        last_value_ns=AT,
        lateness_s=0.4,
        rejects={"unknown_word": RejectCount(3, 'telem: active: "<b>run</b>" is neither true nor false', AT)},
        rate_per_s=0.5,
    ),
    SourceHealth(
        "pit",
        ("pit/+/+",),
        messages=100,
        last_heard_ns=AT,
        passed_over={PassedOver("name", "P_<SUPLY>"): 100},
    ),
    SourceHealth("edge", ("spBv1.0/Fennick/#",)),
)


def test_the_page_shows_each_source_with_its_remedies(tmp_path: Path) -> None:
    with site(tmp_path, sources=SOURCES) as server, browser() as chromium:
        page = chromium.new_page(viewport={"width": 360, "height": 900})
        page.goto(f"http://127.0.0.1:{server.port}/feed")
        text = page.inner_text("main")
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert "30 a minute" in text
    assert "0.4 s" in text
    assert 'active: "<b>run</b>" is neither true nor false' in text
    assert "pit: 100 messages and no value." in text
    assert "P_<SUPLY> (100)" in text
    assert "edge: nothing heard on its topics spBv1.0/Fennick/#" in text


def test_who_may_see_some_sites_only_does_not_see_sources(tmp_path: Path) -> None:
    """A source can be for several sites."""
    with site(tmp_path, sources=SOURCES) as server:
        token = server.token("kim", "view", sites=("elsewhere",))
        page = server.request("GET", "/feed", headers=server.cookie(token)).text
        assert "telem" not in page
        assert "P_" not in page


def test_a_source_without_a_value_is_a_warning_and_does_not_end_readiness(tmp_path: Path) -> None:
    with site(tmp_path, sources=SOURCES) as server:
        ready = server.request("GET", "/readyz")
        assert ready.status == 200
        [warning] = ready.json["warnings"]
        assert warning.startswith("source pit: 100 messages and no value")
        metrics = server.request("GET", "/metrics", token=server.token("monitor", "view")).text
        assert 'strikewatch_source_messages_total{source="telem"} 900.0' in metrics
        assert 'strikewatch_source_rejected_total{source="telem"} 3.0' in metrics
