"""Usage of each hammer in a period: hours, blows, seconds of misuse and missed maintenance, each also per firing hour.

It reports exposure, without costs and without a model of damage. A stretch of work across the edge of the period counts
with its share of the time. The seconds of an alert come from its evidence and count with the share of its firing time
(operating time for greasing and prying) that lies in the period; without firing on record, with the share of its
duration. So adjacent periods add up. Misuse counts with the whole run that reached the limit, and missed maintenance at
the instant when it was missed.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from strikewatch.core.batch import Floats, Key
from strikewatch.core.finding import Fault
from strikewatch.core.instant import Instant
from strikewatch.detectors import same_spot
from strikewatch.detectors.greasing import manual_greasing
from strikewatch.detectors.registry import FAULTS
from strikewatch.engine.pipeline import HammerSettings

if TYPE_CHECKING:
    import pandas as pd

USAGE: Final = (
    "site",
    "hammer",
    "measure",
    "unit",
    "amount",
    "over_h",
    "per_firing_h",
    "not_known",
    "less_certain",
)
"""One row per site, hammer and measure, in that order. `amount`: in `unit` (h, s, or 1 for a count). `over_h`: firing
hours that the rate is based on: judged hours for blank firing, hours with counted blows for blows. `per_firing_h`:
amount / over_h; NaN without hours. `not_known`: why there is no amount (NaN then, never 0); else empty. `less_certain`:
why an amount is only inferred; else empty."""

FEED_UNKNOWN: Final = "the channels of its feed are not on record"
BLOWS_NOT_COUNTED: Final = "pressure is sampled too slowly to count blows"
NOT_JUDGED: Final = "none of its firing could be judged"

Reasons = Mapping[Key, Sequence[tuple[str, str]]]
"""Hammer → (fault, reason) pairs."""


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure of usage. It is not known if `fault` cannot be found in a hammer's feed."""

    name: str
    unit: str
    fault: str = ""
    evidence: str = ""
    over: str = "firing_s"


def _spell(fault: Fault) -> Measure:
    return Measure(f"{fault.name}_s", "s", fault.name, fault.duration, f"{fault.duration_over}_s")


_WORK_MEASURES: Final[Mapping[str, tuple[Measure, str, float]]] = {
    measure.name: (measure, column, per)
    for measure, column, per in (
        (Measure("operating_h", "h"), "operating_s", 3600.0),
        (Measure("firing_h", "h", "same_spot"), "firing_s", 3600.0),
        (Measure("bouts", "1", "same_spot"), "bouts", 1.0),
        (Measure("blows", "1"), "blows", 1.0),
        (Measure("judged_h", "h", "blank_firing"), "judged_s", 3600.0),
        (Measure("blank_s", "s", "blank_firing"), "blank_s", 1.0),
        (Measure("blank_blows", "1"), "blank_blows", 1.0),
    )
}
_ALERT_MEASURES: Final = (
    Measure("hot_firing_s", "s", "hot_oil", "firing_hot_s"),
    Measure("spot_beyond_s", "s", "same_spot", "firing_s"),
    Measure("grease_overdue_h", "h", "grease_overdue", "since_grease_h", "operating_s"),
    *(_spell(fault) for fault in FAULTS.values() if fault.of_operator and fault.duration),
)
_COUNT_MEASURES: Final = (
    Measure("checks_missed", "1", "check_missed"),
    Measure("inspections_missed", "1", "inspection_overdue"),
    Measure("services_missed", "1", "service_overdue"),
)
TIMED: Final = frozenset(measure.fault for measure in _ALERT_MEASURES)
"""Faults whose alerts count with their seconds."""
MEASURES: Final = (*(one for one, _, _ in _WORK_MEASURES.values()), *_ALERT_MEASURES, *_COUNT_MEASURES)
"""All measures, in the order of the table."""


def hammer_usage(
    exposure: "pd.DataFrame",
    faults: "pd.DataFrame",
    begin: Instant,
    end: Instant,
    settings_of: Callable[[Key], HammerSettings],
    silent: Reasons,
    uncertain: Reasons | None = None,
) -> "pd.DataFrame":
    """Return a table of USAGE for [begin, end), of hammers with work or faults in it.

    `exposure` and `faults` must hold everything that overlaps the period. `silent` and `uncertain`: the faults that
    each hammer's feed and profile do not let be found, or only let be inferred. An active alert lasts as long as its
    hammer is known to have worked.
    """
    import pandas as pd

    rows: list[tuple[Any, ...]] = []
    once = faults[faults["count"] == 1]
    worked = {_key(key): own for key, own in exposure.groupby(["site", "hammer"], sort=True)}
    found = {_key(key): own for key, own in once.groupby(["site", "hammer"], sort=True)}
    for key in sorted({*worked, *found}):
        account = _HammerUsage(worked.get(key, exposure[:0]), found.get(key, faults[:0]), begin, end)
        inferred = dict((uncertain or {}).get(key, ()))
        rows += account.rows(key, settings_of(key), dict(silent[key]) if key in silent else None, inferred)
    return pd.DataFrame(rows, columns=list(USAGE)).astype({"amount": float, "per_firing_h": float})


class _HammerUsage:
    """Usage of one hammer."""

    def __init__(
        self, exposure: "pd.DataFrame", faults: "pd.DataFrame", begin: Instant, end: Instant
    ) -> None:
        self._exposure, self._faults = exposure.sort_values("start"), faults
        self._length = float(end - begin)
        self._start, self._end = (_since(begin, self._exposure[name]) for name in ("start", "end"))
        self._onset, cleared = (_since(begin, faults[name]) for name in ("onset", "cleared"))
        known = self._end.max(initial=-np.inf)
        stands = faults["cleared"].isna().to_numpy(bool)
        self._cleared = np.where(stands, np.maximum(self._onset, known), cleared)

    def rows(
        self,
        key: Key,
        settings: HammerSettings,
        silent: Mapping[str, str] | None,
        uncertain: Mapping[str, str],
    ) -> Iterator[tuple[Any, ...]]:
        if not self._in_period():
            return
        amounts = dict(self._amounts(settings))
        firing_h, _ = amounts["firing_h"]
        for measure in MEASURES:
            amount, over_h = amounts[measure.name]
            why = ""
            if measure.fault and not amount > 0 and silent is None:
                why = FEED_UNKNOWN
            elif silent and measure.fault in silent and not amount > 0:
                why = silent[measure.fault]
            elif measure.name == "blank_s" and firing_h > 0 and not over_h:
                why = NOT_JUDGED
            elif amount != amount:
                why = BLOWS_NOT_COUNTED
            amount = np.nan if why else amount
            per = amount / over_h if over_h > 0 else np.nan
            inferred = uncertain.get(measure.fault, "") if measure in _ALERT_MEASURES and not why else ""
            yield (*key, measure.name, measure.unit, amount, over_h, per, why, inferred)

    def _in_period(self) -> bool:
        """Return whether there was work or an alert in the period."""
        spans = ((self._start, self._end), (self._onset, self._cleared))
        return any(((a < self._length) & (b >= 0.0)).any() for a, b in spans)

    def _amounts(self, settings: HammerSettings) -> Iterator[tuple[str, tuple[float, float]]]:
        """Yield each measure's name, amount, and the firing hours that its rate is based on."""
        within = self._time_share(self._start, self._end)
        firing_h = within * self._exposure["firing_s"].to_numpy(float) / 3600.0
        for measure, column, per in _WORK_MEASURES.values():
            values = self._exposure[column].to_numpy(float)
            counted = (within > 0) & ~np.isnan(values)
            unknown = column in ("blows", "blank_blows") and not counted.any()
            over_h = firing_h[counted].sum()
            if column == "blank_s":
                over_h = (within * self._exposure["judged_s"].to_numpy(float)).sum() / 3600.0
            amount = np.nan if unknown else float((within * values)[counted].sum() / per)
            yield measure.name, (amount, float(over_h))
        evidence, fault = list(self._faults["evidence"]), self._faults["fault"].to_numpy(object)
        for measure in _ALERT_MEASURES:
            value = np.array([each.get(measure.evidence, np.nan) for each in evidence], float)
            # Simultaneous faults are one alert under the first cause's name, with the seconds of each cause.
            own = ~np.isnan(value) & ((fault == measure.fault) | (measure.name == f"{measure.fault}_s"))
            beyond = np.maximum(value[own] - _limit(measure, settings), 0.0)
            shares = self._work_share(self._onset[own], self._cleared[own], measure.over)
            yield measure.name, (float((beyond * shares).sum()), float(firing_h.sum()))
        began = (self._onset >= 0.0) & (self._onset < self._length)
        for measure in _COUNT_MEASURES:
            yield measure.name, (float((began & (fault == measure.fault)).sum()), float(firing_h.sum()))

    def _work_share(self, onset: Floats, cleared: Floats, over: str) -> Floats:
        """Return the share of each [onset, cleared) that lies in the period, 0..1: by work, or else by time."""
        plain = self._time_share(onset, cleared)
        if not len(self._start):
            return plain
        edges = np.stack([self._start, self._end], axis=1).ravel()
        work = self._exposure[over].to_numpy(float)
        done = np.cumsum(np.stack([np.zeros(len(work)), work], axis=1).ravel())
        inside = np.clip(0.0, onset, cleared), np.clip(self._length, onset, cleared)
        of, a, b, to = (np.interp(at, edges, done) for at in (onset, *inside, cleared))
        np.divide(b - a, to - of, out=plain, where=to > of)
        return plain

    def _time_share(self, start: Floats, end: Floats) -> Floats:
        """Return the share of each [start, end) that lies in the period, 0..1; an empty one counts at its start."""
        within = np.clip(self._length, start, end) - np.clip(0.0, start, end)
        share = ((start >= 0.0) & (start < self._length)).astype(float)
        np.divide(within, end - start, out=share, where=end > start)
        return share


def _limit(measure: Measure, settings: HammerSettings) -> float:
    """Return the part of the evidence that is not a fault yet."""
    if measure.name == "spot_beyond_s":
        spot = settings["same_spot"]
        assert isinstance(spot, same_spot.Settings)
        return spot.limit_s
    if measure.name == "grease_overdue_h":
        greasing = settings["grease"]
        assert isinstance(greasing, manual_greasing.Settings)
        return greasing.overdue_s / 3600.0
    return 0.0


def _key(key: Any) -> Key:
    site, hammer = key
    return str(site), str(hammer)


def _since(begin: Instant, column: "pd.Series[Any]") -> Floats:
    """Return timestamps as ns since an instant; meaningless for NaT."""
    return np.asarray(column.dt.as_unit("ns").astype("int64") - begin, np.float64)
