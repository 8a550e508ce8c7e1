"""Pictures of the page, to be looked at: `python -m tests.web.pictures FOLDER`, and `--readme` for the README's own.

The demo's sheets in its first busy minutes, and pages of no hammer, of sixty, and of twelve with a hundred active
alerts; wide and as on a phone, light and
dark.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from PIL import Image
from playwright.sync_api import Browser

from strikewatch.core.alert import PRIORITIES, Alert
from strikewatch.core.batch import Batch, Portion, Rows
from strikewatch.core.instant import SECOND
from strikewatch.engine.pipeline import Pipeline
from strikewatch.settings.faults import Faults
from tests.browser import browser
from tests.waiting import until
from tests.web.site import NOW, SITE, site

README = Path(__file__).parent / "page.png"
COLOURS = 48
BUSY_S = 14.0
"""Of the demo's running; sixty times as much at its site."""
SHEETS = (
    *("", "alerts", f"hammers/{SITE}/HB-03", "write", "due", "week", "feed", "choices", "guide"),
    *("sign-in", "offline", "no-such-page"),
)
FAULTS = ("hot_oil", "same_spot", "blank_firing", "grease_overdue", "signal_lost", "grease_due", "cold_oil")
SHAPES = {"wide": (1280, 900), "phone": (360, 760)}


@contextmanager
def demo() -> Iterator[str]:
    """The address of a running demo's page."""
    with tempfile.TemporaryFile("w+") as output:
        running = subprocess.Popen([sys.executable, "-m", "strikewatch.cli.main", "demo"], stdout=output)
        try:

            def address() -> str:
                output.seek(0)
                return next(
                    (word for word in output.read().split() if word.startswith("http://127.0.0.1:")), ""
                )

            yield until(address)
        finally:
            running.terminate()
            running.wait()


@contextmanager
def crowd(folder: Path, hammers: int, alerts: int = 0) -> Iterator[str]:
    """A page of so many hammers, each with an hour's work, and so many active alerts of theirs."""
    faults = Faults().by_detector()
    time_ns = NOW - 3600 * SECOND + SECOND // 2 * np.arange(7200, dtype=np.int64)
    with site(folder) as server:
        for number in range(hammers):
            pipeline = Pipeline(lambda _key: faults)
            active = (np.arange(7200) // (20 + number % 7) % 3 == 0).astype(float)
            oil = 40 + 35 * np.arange(7200) / 7200 + number % 9
            portion = Portion(
                (SITE, f"HB-{number + 1:02d}"),
                Rows(time_ns, {"active": active, "oil_c": oil}),
                int(time_ns[-1]),
            )
            server.live_state.enqueue_step(NOW + 59 * SECOND, [portion], pipeline.step(Batch([portion])))
        server.alerts(
            *(
                Alert(
                    FAULTS[number // hammers % len(FAULTS)],
                    SITE,
                    f"HB-{number % hammers + 1:02d}",
                    f"op-{11 + number % 8}",
                    PRIORITIES[number % len(PRIORITIES)],
                    NOW - number * 37 * SECOND,
                    None,
                )
                for number in range(alerts)
            )
        )
        yield f"http://127.0.0.1:{server.port}/"


def shoot(chromium: Browser, url: str, folder: Path, name: str) -> list[Path]:
    """The page in every shape and scheme."""
    pictures = []
    for shape, (width, height) in SHAPES.items():
        for scheme in ("light", "dark"):
            context = chromium.new_context(
                viewport={"width": width, "height": height},
                color_scheme=scheme,  # type: ignore[arg-type]
            )
            page = context.new_page()
            page.goto(url)
            page.wait_for_timeout(1500)
            pictures.append(folder / f"{name}-{shape}-{scheme}.png")
            page.screenshot(path=pictures[-1])
            context.close()
    return pictures


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.web.pictures", description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=Path("var/pictures"))
    parser.add_argument("--readme", action="store_true", help="only the README's")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    with browser() as chromium:
        if not options.readme:
            for hammers, alerts in ((0, 0), (60, 0), (12, 100)):
                with tempfile.TemporaryDirectory() as folder, crowd(Path(folder), hammers, alerts) as url:
                    shoot(chromium, url, options.folder, f"{hammers}-hammers-{alerts}-alerts")
        with demo() as url:
            time.sleep(BUSY_S)
            if options.readme:
                page = chromium.new_page(viewport={"width": 1000, "height": 1240})
                page.goto(url)
                page.wait_for_timeout(1500)
                page.screenshot(path=README)
                Image.open(README).quantize(COLOURS).save(README, optimize=True)
            else:
                for path in SHEETS:
                    shoot(chromium, url + path, options.folder, f"demo-{path.partition('/')[0] or 'now'}")
                page = chromium.new_page()
                page.goto(url)
                alert = page.locator("#open .what a, #open .faults a").first.get_attribute("href") or ""
                shoot(chromium, url + alert.removeprefix("/"), options.folder, "demo-alert")
    return 0


if __name__ == "__main__":
    sys.exit(main())
