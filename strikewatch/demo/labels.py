"""Labels: the ground truth of the invented site, to compare with what is found in the samples.

One JSON object per line: `{"truth": word, "hammer": ..., "from": time, "to": time}` and more fields by word:

====================  =================================================================================
`at_controls`         `operator`, `signed_on`: who was at the controls, and whether they signed on
`linger`              `operator`, `firing_s`: 15 s of firing or more without moving the tool
`blank`               `operator`, `kind` (start, middle, end of a bout), `fall` (share of pressure lost), `s`
`hot`                 `peak_c`, `firing_s`: oil truly above 80 degC, and firing time meanwhile
`cold`                `operator`, `firing_s`: firing while the oil was below 20 degC, up to when it was warm
`grease_overdue`      `running_h`: engine hours since the last greasing beyond 2, until greased or the end
`unchecked`           `operator`: a work period that began without the walkaround inspection, until the first blow
`low_engine_speed`, `end_of_stroke`, `over_side`, `off_square`, `feed_force`, `prying`, `submerged`
                      `operator`, `s`: on a carrier fitted to see it, for so many seconds (of firing, but for prying)
`grease_low`          `level`: the reservoir of the automatic greasing below a tenth, until filled
`no_grease_flow`      `firing_s`: its pump gives no flow
`misread`             `operator`: the hour meter entered wrong, until it is entered again
`inspection_due`      7 days or 50 h since the last, until it was done; `service_due`: 1,000 h, likewise
`idle`                `days`: it did not fire; `unprepared`: it did again, before anybody had looked it over
`hard_stone`          `hard` 0..1: pressure lower and rate higher, yet no fault
`throttled`           `operator`, `flow`: pressure and rate lower, yet the tool is loaded
`engine_off`          nobody works: lunch, greasing, the check
`signal_lost`         `cause`: samples that no one will ever see
`backlog`             samples that came only at its end (or later)
`duplicates`          `rows`: samples that came twice
`wrong_clock`         `by_s`: stamped that many seconds late (positive) or early (negative)
`out_of_range`        `channel`: readings that mean a broken sensor or "not available"
====================  =================================================================================
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from strikewatch.core import instant
from strikewatch.core.instant import Instant


@dataclass(frozen=True, slots=True)
class Label:
    """What was true of `hammer` from `start_ns` to `end_ns`."""

    truth: str
    hammer: str
    start_ns: Instant
    end_ns: Instant
    fields: dict[str, Any] = field(default_factory=dict)

    def record(self) -> dict[str, Any]:
        """Return the object of a line of `labels.jsonl`."""
        first = {"truth": self.truth, "hammer": self.hammer}
        span = {"from": instant.text(self.start_ns), "to": instant.text(self.end_ns)}
        return first | span | self.fields


def lines(labels: Iterable[Label]) -> str:
    """Return labels as JSON lines, in order of time, hammer and truth."""
    ordered = sorted(labels, key=lambda one: (one.start_ns, one.hammer, one.truth, one.end_ns))
    return "".join(json.dumps(one.record()) + "\n" for one in ordered)
