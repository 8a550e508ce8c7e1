"""A fault added by the recipe, in a process of its own: run as a module, it looks for it everywhere.

The detector and its line in the registry are all that is added.
"""

import math
import sys
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType
from typing import Final

import numpy as np
from pydantic import Field

from strikewatch import detectors
from strikewatch.core.finding import Fault
from strikewatch.detectors.base import DetectorSettings, seconds, whole
from strikewatch.detectors.limit_rule import spells


class Settings(DetectorSettings):
    """Firing above the engine's governed speed."""

    limit_rpm: float = Field(2000.0, gt=0, description="Above this the engine is too fast, rpm")
    limit_s: float = Field(1.0, ge=0, description="Firing there that is a fault, s")
    pause_s: float = Field(2.0, ge=0, description="Without it for this long it is over, s")


DETECTOR: Final = spells(
    Fault(
        "overspeed",
        "Fired {firing_fast_s:.1f} s with the engine at up to {highest_rpm} rpm.",
        {"firing_fast_s": seconds, "highest_rpm": whole},
        of_operator=True,
        by_machine=True,
    ),
    Settings,
    ("engine_rpm",),
    lambda own: (-math.inf, own.limit_rpm),
)


def register() -> None:
    """Run the registry with one more line, before anything has imported it."""
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
    """Look for the fault in the settings, alerts, filters, review, page and coaching."""
    import pandas as pd

    import strikewatch
    from strikewatch.core.batch import Rows
    from strikewatch.core.instant import SECOND
    from strikewatch.detectors import coverage
    from strikewatch.review import rates
    from strikewatch.review.coaching import read
    from strikewatch.review.moments import channel_panels
    from strikewatch.review.moments.highlights import choose_highlights
    from strikewatch.review.statistics.hands import MACHINE_FAULTS
    from strikewatch.settings.environment import variables
    from strikewatch.settings.tree import Settings as Tree
    from strikewatch.settings.tree import load
    from strikewatch.sinks.filter import Filter
    from strikewatch.web.pages import views, week
    from strikewatch.web.pages.formatting import Formatting
    from strikewatch.web.pages.translations import load_translations

    settings = load(given={"faults": {"overspeed": {"limit_rpm": 1900.0}}})
    own = settings.of_hammer(("fennick-hollow", "HB-01"))
    assert isinstance(own["overspeed"], Settings)
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
    (moment,) = [one for one in choose_highlights(faults, 3) if one.fault == "overspeed"]
    assert moment.why == "the only one"
    account = strikewatch.usage(samples, events, settings)
    assert account.set_index("measure")["amount"]["overspeed_s"] == 8.0
    assert "overspeed" in MACHINE_FAULTS

    time_ns = (second * SECOND).astype(np.int64)
    panel = channel_panels.panel(
        "overspeed", Rows(time_ns, {"engine_rpm": samples["engine_rpm"].to_numpy()}), own
    )
    assert panel is not None
    assert (panel.name, list(panel.limits)) == ("engine rpm", [1900.0])

    assert Filter(faults=("overspeed",)).faults == ("overspeed",)
    assert "overspeed" in views.FAULTS
    assert "overspeed" in week.OPERATOR_FAULTS
    assert dict(coverage.silent(own, {"active", "pressure_bar"}))["overspeed"] == "no engine_rpm in the feed"
    assert Formatting(load_translations()["en"]).fault_name("overspeed") == "Overspeed"
    assert read().name("overspeed") == "Overspeed"


if __name__ == "__main__":
    register()
    check()
    print("found everywhere")
