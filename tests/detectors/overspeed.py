"""Add an operator fault by the recipe in DEVELOPERS.md, and check that it appears everywhere: run as a module.

The detector and its line in the registry are all that is added.
"""

import json
import math
import sys
import tempfile
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Final

import numpy as np
from pydantic import Field

from strikewatch import detectors
from strikewatch.core.finding import Fault
from strikewatch.detectors.base import DetectorSettings, seconds, whole
from strikewatch.detectors.limit_rule import limit_rule

if TYPE_CHECKING:
    import pandas as pd


class Settings(DetectorSettings):
    """Firing above the engine's governed speed."""

    limit_rpm: float = Field(2000.0, gt=0, description="Above this the engine is too fast, rpm")
    limit_s: float = Field(1.0, ge=0, description="Firing time there from which it is a fault, s")
    pause_s: float = Field(2.0, ge=0, description="Without it for this long it is over, s")

    def limits(self) -> tuple[float, float]:
        return -math.inf, self.limit_rpm


DETECTOR: Final = limit_rule(
    Fault(
        "overspeed",
        "Fired {firing_fast_s:.1f} s with the engine at up to {highest_rpm} rpm.",
        {"firing_fast_s": seconds, "highest_rpm": whole},
        of_operator=True,
        by_machine=True,
    ),
    Settings,
    ("engine_rpm",),
)


def register() -> None:
    """Execute the registry with one more line, before anything imports it."""
    name = "strikewatch.detectors.registry"
    assert name not in sys.modules
    spec = find_spec(name)
    assert spec is not None
    assert spec.origin is not None
    source = Path(spec.origin).read_text(encoding="utf-8")
    line = "    exposure.DETECTOR,\n"
    assert source.count(line) == 1
    module = ModuleType(name)
    module.__dict__["overspeed"] = sys.modules[__name__]
    sys.modules[name] = module
    detectors.registry = module  # type: ignore[attr-defined]
    exec(
        compile(source.replace(line, f"{line}    overspeed.DETECTOR,\n"), spec.origin, "exec"),
        module.__dict__,
    )


def check() -> None:
    """Check that the fault appears in settings, alerts, filters, review, page, coaching and reference."""
    import pandas as pd

    import strikewatch
    from strikewatch.core.batch import Rows
    from strikewatch.core.instant import SECOND
    from strikewatch.detectors import coverage
    from strikewatch.review import excerpt, rates
    from strikewatch.review.coaching import read
    from strikewatch.review.highlights import choose_highlights
    from strikewatch.review.statistics.comparisons import MACHINE_FAULTS
    from strikewatch.settings.environment import variables
    from strikewatch.settings.tree import Settings as Tree
    from strikewatch.settings.tree import load
    from strikewatch.sinks.filter import Filter
    from strikewatch.web.pages.formatting import Formatting, load_translations
    from strikewatch.web.pages.views import alerts as alerts_page
    from strikewatch.web.pages.views import week
    from tests.guide.generate import settings_text

    settings = load(given={"faults": {"overspeed": {"limit_rpm": 1900.0}}})
    of_hammer = settings.of_hammer(("fennick-hollow", "HB-01"))
    assert isinstance(of_hammer["overspeed"], Settings)
    assert "STRIKEWATCH_FAULTS__OVERSPEED__LIMIT_RPM" in variables(Tree)

    # Fires from 10 s to 20 s; the engine is too fast from 12 s on, so the fault begins at 13 s.
    second = np.arange(0.0, 40.0, 0.5)
    samples = pd.DataFrame(
        {
            "time": pd.Timestamp("2026-03-04T07:00:00Z") + pd.to_timedelta(second, unit="s"),
            "site": "fennick-hollow",
            "hammer": "HB-01",
            "active": (second >= 10.0) & (second < 20.0),
            "pressure_bar": 140.0,
            "engine_rpm": np.where(second >= 12.0, 1950.0, 1800.0),
        }
    )
    events = pd.DataFrame(
        [{"time": samples["time"][0], "hammer": "HB-01", "event": "sign_on", "operator": "op-14"}]
    )
    alerts = strikewatch.replay(samples, events, settings)
    (alert,) = alerts[alerts["fault"] == "overspeed"].to_dict("records")
    assert alert["onset"] == pd.Timestamp("2026-03-04T07:00:13Z")
    assert alert["evidence"] == {"firing_fast_s": 8.0, "highest_rpm": 1950}

    exposure, faults = strikewatch.review_frames(samples, events, settings)
    table = rates.operators(exposure, faults)
    (row,) = table[table["fault"] == "overspeed"].to_dict("records")
    assert (row["operator"], row["count"], row["over"]) == ("op-14", 1, "firing")
    (moment,) = [m for m in choose_highlights(faults, 3) if m.fault == "overspeed"]
    assert moment.why == "the only one"
    usage = strikewatch.usage(samples, events, settings)
    assert usage.set_index("measure")["amount"]["overspeed_s"] == 8.0
    assert "overspeed" in MACHINE_FAULTS

    time_ns = (second * SECOND).astype(np.int64)
    panel = excerpt.channel_panel(
        "overspeed", Rows(time_ns, {"engine_rpm": samples["engine_rpm"].to_numpy()}), of_hammer
    )
    assert panel is not None
    assert (panel.name, list(panel.limits)) == ("engine rpm", [1900.0])

    assert Filter(faults=("overspeed",)).faults == ("overspeed",)
    assert "overspeed" in alerts_page.FAULTS
    assert "overspeed" in week.OPERATOR_FAULTS
    assert (
        dict(coverage.unmonitored_faults(of_hammer, {"active", "pressure_bar"}))["overspeed"]
        == "no engine_rpm in the feed"
    )
    assert Formatting(load_translations()["en"]).fault_name("overspeed") == "Overspeed"
    assert read().name("overspeed") == "Overspeed"
    assert "| `limit_rpm` | 1/min | `2000.0` |" in settings_text().partition("## faults.overspeed")[2]
    with tempfile.TemporaryDirectory() as folder:
        check_report(Path(folder), samples)


def check_report(folder: Path, samples: "pd.DataFrame") -> None:
    """Check the review's report of a recorded shift: rates, the highlight with its channel, and usage."""
    from strikewatch.cli.main import main

    sign_on = {"time": "2026-03-04T07:00:00Z", "hammer": "HB-01", "event": "sign_on", "operator": "op-14"}
    shift, config, page = folder / "fennick-hollow", folder / "settings.toml", folder / "review.html"
    shift.mkdir()
    samples.to_parquet(shift / "samples.parquet")
    (shift / "events.jsonl").write_text(json.dumps(sign_on) + "\n", encoding="utf-8")
    config.write_text("[faults.overspeed]\nlimit_rpm = 1900.0\n", encoding="utf-8")
    assert main(["review", str(shift), "--config", str(config), "--html", str(page)]) == 0
    report = page.read_text(encoding="utf-8")
    for part in (
        "Overspeed at 07:00:13",
        "Fired 8.0 s with the engine at up to 1950 rpm.",
        "engine rpm: 1,800 to 1,950; limits 1,900.",
        '<th scope="row">Overspeed, s</th>',
    ):
        assert part in report, part


if __name__ == "__main__":
    register()
    check()
    print("found everywhere")
