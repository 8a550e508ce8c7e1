"""What a real browser makes of the page: when it shows, what it costs, and how long a sample takes to be seen."""

import statistics
from bisect import bisect_left
from collections import defaultdict
from typing import Any, Final

from playwright.sync_api import CDPSession, Page

from tests.browser import browser
from tests.long.benchmarks.table import Line

LOADS: Final = 7
SHORTEST: Final = 20
OIL_C: Final = range(20, 80)
"""Each sample has another temperature than the ones before it, so that what is shown tells which it was."""

_WATCH: Final = """() => {
  window.shown = [];
  const note = (row) => {
    const value = parseInt(row.querySelector('[data-slot="oil_text"]').textContent.match(/\\d+/)[0]);
    requestAnimationFrame(() => setTimeout(() => window.shown.push([row.dataset.key, value, Date.now()])));
  };
  for (const row of document.querySelectorAll(".hammer")) {
    new MutationObserver(() => note(row)).observe(
      row.querySelector('[data-slot="oil_text"]'), { childList: true, characterData: true, subtree: true });
  }
}"""

Published = dict[str, list[int]]
"""By the key of a hammer's row: when each of its samples was published, ms; the k-th has the k-th temperature."""


def oil_c(k: int) -> float:
    return float(OIL_C[k % len(OIL_C)])


def measure_display_delays(url: str, published: Published, seconds: float) -> list[Line]:
    """Open the page while samples are published; measure how long they take to be shown."""
    with browser() as chromium:
        page = chromium.new_page(viewport={"width": 1280, "height": 900})
        paints = []
        for _ in range(LOADS):
            page.goto(url)
            page.wait_for_selector("svg.timeline")
            paints.append(
                page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
            )
        page.wait_for_timeout(2000)
        line = page.context.new_cdp_session(page)
        line.send("Performance.enable")
        page.evaluate(_WATCH)
        busy, took, shows = _busy(page, line, seconds)
        shown: list[tuple[str, int, int]] = page.evaluate("window.shown")
    late_s = sorted(_late_s(published, shown))
    p95 = late_s[int(0.95 * len(late_s))]
    paint_s = statistics.median(paints) / 1000
    return [
        Line(
            f"first paint: {LOADS} loads, worst {max(paints):.0f} ms", "median / 0.3 s", paint_s / 0.3, "< 1"
        ),
        Line(
            f"main thread: at {shows:.1f} updates/s of {len(published)} hammers",
            "busy / whole",
            busy / took,
            "< 0.05",
        ),
        Line(
            f"published, then on the screen: after {statistics.median(late_s):.2f} s, p95 {p95:.2f} s, "
            f"longest {late_s[-1]:.2f} s",
            "p95 / 0.3 s",
            p95 / 0.3,
            "< 1",
        ),
    ]


def _busy(page: Page, line: CDPSession, seconds: float) -> tuple[float, float, float]:
    """Seconds of work of the page's thread, in how many, and how often a second it was updated."""

    def look() -> dict[str, Any]:
        return {one["name"]: one["value"] for one in line.send("Performance.getMetrics")["metrics"]}

    page.evaluate(
        "() => { window.updates = 0; const all = new EventSource('/stream');"
        " all.addEventListener('now', () => { window.updates += 1; }); }"
    )
    before = look()
    page.wait_for_timeout(1000 * seconds)
    after = look()
    took = after["Timestamp"] - before["Timestamp"]
    return after["TaskDuration"] - before["TaskDuration"], took, page.evaluate("window.updates") / took


def _late_s(published: Published, shown: list[tuple[str, int, int]]) -> list[float]:
    """Return, for each sample published meanwhile, the time until it or a later one was shown, s."""
    by_key: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for key, value, at_ms in shown:
        times = published[key]
        newest = bisect_left(times, at_ms) - 1
        back = (newest - OIL_C.index(value)) % len(OIL_C)
        by_key[key].append((newest - back, at_ms))
    found = []
    for key, stood in by_key.items():
        assert len(stood) > SHORTEST, key
        for k in range(stood[0][0], stood[-1][0] + 1):
            at_ms = next(at for number, at in stood if number >= k)
            found.append((at_ms - published[key][k]) / 1000)
    return found
