"""What feeds and profiles of hammers limit: faults that cannot be found at all, and faults that are inferred only."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Self

from strikewatch.core.batch import Key

if TYPE_CHECKING:
    import pandas as pd

Reasons = Mapping[Key, Sequence[tuple[str, str]]]
"""Of each hammer (fault, why)."""
NOT_PLACED: Final = "where the tool was is not known, so that the spot was told by its pauses only"


@dataclass(frozen=True, slots=True)
class Feeds:
    """Of each hammer, fault → why. A hammer that is not in it has no known limits."""

    silent: Mapping[Key, Mapping[str, str]] = field(default_factory=dict)
    """Faults that its feed and profile do not let be found."""
    uncertain: Mapping[Key, Mapping[str, str]] = field(default_factory=dict)
    """Faults that are inferred only, and so less certain."""

    @classmethod
    def of(cls, silent: Reasons, uncertain: Reasons) -> Self:
        return cls(*({key: dict(one) for key, one in each.items()} for each in (silent, uncertain)))

    def showing(self, exposure: "pd.DataFrame", faults: "pd.DataFrame", fault: str) -> "pd.DataFrame":
        """The rows of EXPOSURE of hammers on which a fault can be found, or was found all the same."""
        blind = [key for key, reasons in self.silent.items() if fault in reasons]
        if blind:
            seen = faults.loc[faults["fault"] == fault, ["site", "hammer"]]
            blind = sorted(set(blind) - set(seen.itertuples(index=False, name=None)))
        return exposure[~_among(exposure, blind)] if blind else exposure

    def inferred(
        self, exposure: "pd.DataFrame", faults: "pd.DataFrame", fault: str
    ) -> "tuple[pd.DataFrame, pd.DataFrame]":
        """The rows of EXPOSURE and FAULTS of hammers on which a fault is inferred only, by their feeds or by most of
        what was found."""
        own = faults[(faults["fault"] == fault) & (faults["count"] == 1)]
        found: dict[Key, list[bool]] = {}
        for site, hammer, why in zip(own["site"], own["hammer"], self.whys(own), strict=True):
            found.setdefault((site, hammer), []).append(bool(why))
        keys = {key for key, unsure in found.items() if 2 * sum(unsure) > len(unsure)}
        keys |= {key for key, reasons in self.uncertain.items() if fault in reasons}
        return exposure[_among(exposure, keys)], faults[_among(faults, keys)]

    def why(self, key: Key, fault: str, evidence: Mapping[str, Any]) -> str:
        """Why a fault that was found is less certain than others; empty where it is not."""
        known = self.uncertain.get(key, {}).get(fault, "")
        if (
            fault == "same_spot" and "pose_known" in evidence
        ):  # each spot's own evidence goes before the feed's
            return "" if evidence["pose_known"] else known or NOT_PLACED
        return known

    def whys(self, faults: "pd.DataFrame") -> list[str]:
        """`why` of each row of FAULTS."""
        columns = (faults[name] for name in ("site", "hammer", "fault", "evidence"))
        return [self.why((s, h), fault, told or {}) for s, h, fault, told in zip(*columns, strict=True)]


NOTHING_KNOWN: Final = Feeds()


def _among(frame: "pd.DataFrame", keys: Collection[Key]) -> "pd.Series[bool]":
    import pandas as pd

    pairs = zip(frame["site"], frame["hammer"], strict=True)
    return pd.Series([pair in keys for pair in pairs], index=frame.index, dtype=bool)
