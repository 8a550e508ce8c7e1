"""Usage of each hammer in a period: hours, blows, seconds of misuse and missed maintenance, each also per firing hour.

It reports exposure, without costs and without a model of damage. A stretch of work across the edge of the period counts
with its share of the time. The seconds of an alert come from its evidence and count with the share of its firing time
(operating time for greasing and prying) that lies in the period; without firing on record, with the share of its
duration. So adjacent periods add up. Misuse counts with the whole run that reached the limit, and missed maintenance at
the instant when it was missed.
"""

from collections.abc import Callable, Iterator, Mapping
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
from strikewatch.review import coaching
from strikewatch.review.data.tables import Reasons

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


def _nothing(_settings: HammerSettings) -> float:
    return 0.0


def _spot_limit_s(settings: HammerSettings) -> float:
    spot = settings[same_spot.DETECTOR.name]
    assert isinstance(spot, same_spot.Settings)
    return spot.limit_s


def _grease_limit_h(settings: HammerSettings) -> float:
    greasing = settings[manual_greasing.DETECTOR.name]
    assert isinstance(greasing, manual_greasing.Settings)
    return greasing.overdue_s / 3600.0


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure of usage; `label`: its name in reports. Not known if the feed cannot show `fault`.

    A measure of work adds up a `column` of EXPOSURE; `unknown`: why it has no amount where nothing was counted. A
    measure of alerts adds up a value in their `evidence`, less what is `allowed` by a hammer's settings; if `grouped`,
    also of alerts in which the fault is one of several causes. Other measures count alerts. `over`: the column of
    EXPOSURE that the rate of work, or the distribution of an alert over its duration, is based on.
    """

    name: str
    unit: str
    label: str
    fault: str = ""
    column: str = ""
    evidence: str = ""
    over: str = "firing_s"
    unknown: str = ""
    allowed: Callable[[HammerSettings], float] = _nothing
    grouped: bool = False

    @property
    def title(self) -> str:
        """The label with the unit."""
        return self.label if self.unit == "1" else f"{self.label}, {self.unit}"


_NAMES: Final = coaching.read()


def _seconds_of(fault: Fault) -> Measure:
    """Return the measure of the seconds at fault, which the fault's `duration` gives."""
    over = f"{fault.duration_over}_s"
    return Measure(
        f"{fault.name}_s", "s", _NAMES.name(fault.name), fault.name, "", fault.duration, over, grouped=True
    )


_WORK_MEASURES: Final = (
    Measure("operating_h", "h", "Operating", column="operating_s"),
    Measure("firing_h", "h", "Firing", "same_spot", "firing_s"),
    Measure("bouts", "1", "Bouts of firing", "same_spot", "bouts"),
    Measure("blows", "1", "Blows", column="blows", unknown=BLOWS_NOT_COUNTED),
    Measure("judged_h", "h", "Judged for blank firing", "blank_firing", "judged_s"),
    Measure(
        *("blank_s", "s", "Suspected blank firing", "blank_firing", "blank_s"),
        over="judged_s",
        unknown=NOT_JUDGED,
    ),
    Measure("blank_blows", "1", "Blows suspected blank", column="blank_blows", unknown=BLOWS_NOT_COUNTED),
)
_ALERT_MEASURES: Final = (
    Measure("hot_firing_s", "s", "Firing with hot oil", "hot_oil", evidence="firing_hot_s"),
    Measure(
        *("spot_beyond_s", "s", "Firing in one spot beyond the limit", "same_spot"),
        evidence="firing_s",
        allowed=_spot_limit_s,
    ),
    Measure(
        *("grease_overdue_h", "h", "Operating with grease overdue", "grease_overdue"),
        evidence="since_grease_h",
        over="operating_s",
        allowed=_grease_limit_h,
    ),
    *(_seconds_of(fault) for fault in FAULTS.values() if fault.of_operator and fault.duration),
)
_COUNT_MEASURES: Final = (
    Measure("checks_missed", "1", "Walkaround inspections missed", "check_missed"),
    Measure("inspections_missed", "1", "Inspections missed", "inspection_overdue"),
    Measure("services_missed", "1", "Full services missed", "service_overdue"),
)
TIMED: Final = frozenset(measure.fault for measure in _ALERT_MEASURES)
"""Faults whose alerts count with their seconds."""
MEASURES: Final = {measure.name: measure for measure in (*_WORK_MEASURES, *_ALERT_MEASURES, *_COUNT_MEASURES)}
"""All measures by name, in the order of the table."""


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
    onsets = faults[faults["count"] == 1]
    work_by_hammer = {_key(key): rows for key, rows in exposure.groupby(["site", "hammer"], sort=True)}
    faults_by_hammer = {_key(key): rows for key, rows in onsets.groupby(["site", "hammer"], sort=True)}
    for key in sorted({*work_by_hammer, *faults_by_hammer}):
        usage = _HammerUsage(
            work_by_hammer.get(key, exposure[:0]), faults_by_hammer.get(key, faults[:0]), begin, end
        )
        inferred = dict((uncertain or {}).get(key, ()))
        rows += usage.rows(key, settings_of(key), dict(silent[key]) if key in silent else None, inferred)
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
        newest_end = self._end.max(initial=-np.inf)
        active = faults["cleared"].isna().to_numpy(bool)
        self._cleared = np.where(active, np.maximum(self._onset, newest_end), cleared)

    def rows(
        self,
        key: Key,
        settings: HammerSettings,
        silent: Mapping[str, str] | None,
        uncertain: Mapping[str, str],
    ) -> Iterator[tuple[Any, ...]]:
        if not self._in_period():
            return
        for measure, amount, over_h in self._amounts(settings):
            why = ""
            if measure.fault and not amount > 0 and silent is None:
                why = FEED_UNKNOWN
            elif silent and measure.fault in silent and not amount > 0:
                why = silent[measure.fault]
            elif amount != amount:
                why = measure.unknown
            known = np.nan if why else amount
            per = known / over_h if over_h > 0 else np.nan
            inferred = uncertain.get(measure.fault, "") if measure.evidence and not why else ""
            yield (*key, measure.name, measure.unit, known, over_h, per, why, inferred)

    def _in_period(self) -> bool:
        """Return whether there was work or an alert in the period."""
        spans = ((self._start, self._end), (self._onset, self._cleared))
        return any(((a < self._length) & (b >= 0.0)).any() for a, b in spans)

    def _amounts(self, settings: HammerSettings) -> Iterator[tuple[Measure, float, float]]:
        """Yield each measure, its amount (NaN: not counted), and the firing hours that its rate is based on."""
        within = self._time_share(self._start, self._end)
        fired_h = within * self._exposure["firing_s"].to_numpy(float) / 3600.0
        firing_h = float(fired_h.sum())
        for measure in _WORK_MEASURES:
            values = self._exposure[measure.column].to_numpy(float)
            counted = (within > 0) & ~np.isnan(values)
            if measure.over == "firing_s":
                over_h = float(fired_h[counted].sum())
                unknown = bool(measure.unknown) and not counted.any()
            else:
                over_h = float((within * self._exposure[measure.over].to_numpy(float)).sum() / 3600.0)
                unknown = firing_h > 0 and not over_h
            amount = float((within * values)[counted].sum() / (3600.0 if measure.unit == "h" else 1.0))
            yield measure, np.nan if unknown else amount, over_h
        evidences, fault = list(self._faults["evidence"]), self._faults["fault"].to_numpy(object)
        for measure in _ALERT_MEASURES:
            value = np.array([evidence.get(measure.evidence, np.nan) for evidence in evidences], float)
            # Grouped faults are one alert under the first cause's name, with the seconds of each cause.
            applies = ~np.isnan(value) & ((fault == measure.fault) | measure.grouped)
            beyond = np.maximum(value[applies] - measure.allowed(settings), 0.0)
            shares = self._work_share(self._onset[applies], self._cleared[applies], measure.over)
            yield measure, float((beyond * shares).sum()), firing_h
        began = (self._onset >= 0.0) & (self._onset < self._length)
        for measure in _COUNT_MEASURES:
            yield measure, float((began & (fault == measure.fault)).sum()), firing_h

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


def _key(key: Any) -> Key:
    site, hammer = key
    return str(site), str(hammer)


def _since(begin: Instant, column: "pd.Series[Any]") -> Floats:
    """Return timestamps as ns since an instant; meaningless for NaT."""
    return np.asarray(column.dt.as_unit("ns").astype("int64") - begin, np.float64)
