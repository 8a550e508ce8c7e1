"""Limits of hammers' feeds and profiles: faults that they cannot show, and faults that can only be inferred."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Self

from strikewatch.core.batch import Key

if TYPE_CHECKING:
    import pandas as pd

Reasons = Mapping[Key, Sequence[tuple[str, str]]]
"""Hammer → (fault, reason) pairs."""
POSITION_KNOWN: Final = "pose_known"
"""Evidence of a fault in one spot: whether the tool's position was known. It overrides the limits of the feed."""
POSITION_UNKNOWN: Final = "the tool's position is not known, so the spot is inferred from pauses"


@dataclass(frozen=True, slots=True)
class Feeds:
    """Hammer → fault → reason. A hammer that is not listed has no known limits."""

    silent: Mapping[Key, Mapping[str, str]] = field(default_factory=dict)
    """Faults that the feed or profile cannot show."""
    uncertain: Mapping[Key, Mapping[str, str]] = field(default_factory=dict)
    """Faults that can only be inferred, and so are less certain."""

    @classmethod
    def of(cls, silent: Reasons, uncertain: Reasons) -> Self:
        """Build from (fault, reason) pairs by hammer."""
        return cls(*({key: dict(pairs) for key, pairs in reasons.items()} for reasons in (silent, uncertain)))

    def exposure_showing(
        self, exposure: "pd.DataFrame", faults: "pd.DataFrame", fault: str
    ) -> "pd.DataFrame":
        """Return the rows of EXPOSURE of hammers on which a fault can be found, or was found nevertheless."""
        not_monitored = [key for key, reasons in self.silent.items() if fault in reasons]
        if not_monitored:
            found = faults.loc[faults["fault"] == fault, ["site", "hammer"]]
            not_monitored = sorted(set(not_monitored) - set(found.itertuples(index=False, name=None)))
        return exposure[~_among(exposure, not_monitored)] if not_monitored else exposure

    def inferred(
        self, exposure: "pd.DataFrame", faults: "pd.DataFrame", fault: str
    ) -> "tuple[pd.DataFrame, pd.DataFrame]":
        """Return the rows of EXPOSURE and FAULTS of hammers on which a fault is only inferred: by the feed's limits, or
        because most of what was found there is uncertain."""
        faults_here = faults[(faults["fault"] == fault) & (faults["count"] == 1)]
        uncertain_by_hammer: dict[Key, list[bool]] = {}
        for site, hammer, reason in zip(
            faults_here["site"], faults_here["hammer"], self.uncertainties(faults_here), strict=True
        ):
            uncertain_by_hammer.setdefault((site, hammer), []).append(bool(reason))
        keys = {key for key, flags in uncertain_by_hammer.items() if 2 * sum(flags) > len(flags)}
        keys |= {key for key, reasons in self.uncertain.items() if fault in reasons}
        return exposure[_among(exposure, keys)], faults[_among(faults, keys)]

    def uncertainty(self, key: Key, fault: str, evidence: Mapping[str, Any]) -> str:
        """Return why a fault that was found is less certain than others; empty if it is not."""
        known = self.uncertain.get(key, {}).get(fault, "")
        if POSITION_KNOWN in evidence:
            return "" if evidence[POSITION_KNOWN] else known or POSITION_UNKNOWN
        return known

    def uncertainties(self, faults: "pd.DataFrame") -> list[str]:
        """Return `uncertainty` of each row of FAULTS."""
        columns = (faults[name] for name in ("site", "hammer", "fault", "evidence"))
        return [
            self.uncertainty((site, hammer), fault, evidence or {})
            for site, hammer, fault, evidence in zip(*columns, strict=True)
        ]


NO_LIMITS: Final = Feeds()


def _among(frame: "pd.DataFrame", keys: Collection[Key]) -> "pd.Series[bool]":
    import pandas as pd

    pairs = zip(frame["site"], frame["hammer"], strict=True)
    return pd.Series([pair in keys for pair in pairs], index=frame.index, dtype=bool)
