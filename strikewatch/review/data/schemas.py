"""The columns of a review's tables. EXPOSURE and FAULTS are the input; `rates` computes the others from them."""

from typing import Final

from strikewatch.core.finding import Exposure as Hours
from strikewatch.detectors import registry

UNASSIGNED: Final = "unassigned"
"""The operator of work with nobody signed on: shown, but never compared."""

UNKNOWN_TOOL: Final = "unknown"

EXPOSURE: Final[tuple[str, ...]] = (
    "site",
    "hammer",
    "operator",
    "tool",
    "start",
    "end",
    "operating_s",
    "firing_s",
    "judged_s",
    "bouts",
    "blows",
    "blank_s",
    "blank_blows",
)
"""One row per stretch of work of a hammer with one operator and one tool, at most a clock hour (UTC) long.

`start`, `end`: timestamps, UTC. `operating_s`: seconds in which the carrier worked; `firing_s`: in which the hammer
fired; `judged_s`: firing that could be judged for blank firing. `bouts`: bouts that began in the stretch. `blows`, and
the suspected `blank_blows` among them, are NaN where none could be counted. `blank_s`: firing suspected to be blank. A
stretch in which the carrier did not work has no row.
"""

FAULTS: Final[tuple[str, ...]] = (
    "id",
    "fault",
    "site",
    "hammer",
    "operator",
    "tool",
    "priority",
    "onset",
    "cleared",
    "count",
    "seconds",
    "historic",
    "summary",
    "evidence",
)
"""One row per alert and operator who worked while it was active.

`count` is 1 in the row of the operator signed on at the onset, and 0 in the others. `seconds` is the operator's part of
the time from onset to clearing (or to the end of the period, if the alert is still active; `cleared` is NaT then).
`evidence` is a dict.
"""

ALWAYS: Final = registry.COMMON
"""Operator faults that every feed can show: they have rows in each table, even without occurrences."""
MISUSE: Final = registry.MISUSE
"""Operator faults that only richer feeds show: they have rows in the table of a site where one occurred."""
OPERATOR_FAULTS: Final = (*ALWAYS, *MISUSE)
"""All faults that operators are judged by, and can be coached on."""
OVER: Final[dict[str, Hours]] = {name: fault.exposure for name, fault in registry.FAULTS.items()}
"""The kind of hours that each fault's rate is based on."""

RATE: Final = (
    "over",
    "count",
    "seconds",
    "hours",
    "judged_share",
    "rate",
    "lower",
    "upper",
    "limits",
    "more_h",
)
"""`over`: the kind of hours (`Hours`). `count`: onsets. `seconds`: duration of the faults. `hours`: hours of that kind
on hammers whose feed can show the fault. `judged_share`: share of the firing that could be judged for blank firing,
0..1. `rate`: per hour, with its 95 % limits `lower` and `upper`; NaN without hours. `limits`: the kind of limits
(`poisson.Kind`): exact (Garwood); approximate, because widened for the site's dispersion; or "little": too wide to be
useful, and left out of reports and files. `more_h`: further hours at the same rate until the limits are useful; NaN if
not known."""

CHANGE: Final = (
    *("before_count", "before_hours", "before_rate"),
    *("change", "change_lower", "change_upper", "change_p", "change_corrected", "changed", "change_words"),
)
"""Comparison with the previous period. `change`: ratio of the rates, now to before, with exact 95 % limits (0 to
infinity where they are not known) and p. `change_corrected`: p corrected for all comparisons made. `changed`: more,
fewer, same, or little (too little data), which `change_words` puts into a sentence; both are empty if there was no work
in one of the two periods, or no previous period was given."""

OPERATORS: Final = (
    *("site", "operator", "fault"),
    *RATE,
    *("site_rate", "expected", "funnel_lower", "funnel_upper", "ratio"),
    *("shrunk", "shrunk_lower", "shrunk_upper"),
    *("dispersion", "p", "corrected", "standing", "verdict", "settle_h", "less_certain"),
    *CHANGE,
)
"""One row per site, operator and fault, in that order. `unassigned` comes last in its site and is not compared: its
numbers are NaN and its `standing` is empty.

`site_rate`: rate of all signed-on operators. `expected`: count at that rate. `funnel_lower`, `funnel_upper`: rates
between which 95 % of predictions for these hours lie. `ratio`: the operator's rate to that of the others at the site,
without those who are above. `shrunk`: estimated rate, shrunk towards the site's, with its 95 % interval.
`dispersion`: ratio of the variance of counts to that of a Poisson distribution. `p`: of the comparison with the others;
NaN if not compared. `corrected`: `p` corrected for all operators and faults of the site. `standing`: above, below,
within, or little (too little data). `verdict`: the same as a sentence, with the reason. `settle_h`: further hours that
would settle it; NaN if it is settled, or not known. `less_certain`: how many of
`count` were found on hammers whose feed only lets the fault be inferred.
"""

SITES: Final = (
    *("site", "fault"),
    *RATE,
    *("operators", "dispersion", "dispersion_p", "dispersion_words"),
    *CHANGE,
)
"""One row per site and fault, of all operators and of work with nobody signed on. `operators`: number of operators who
signed on and worked. `dispersion`: as in OPERATORS. `dispersion_p`: probability that a Poisson distribution varies at
least this much between days; NaN if not known. `dispersion_words`: the conclusion as a sentence."""

GROUPS: Final = RATE
"""One row per fault and site, hammer, tool or week, whose columns come first; with work of nobody signed on."""

WEEKS: Final = (
    *("site", "operator", "fault", "week"),
    *RATE,
    *("centre", "chart_lower", "chart_upper", "signal", "baseline"),
)
"""One row per site, operator, fault and week with work; `week` is the Monday on which it begins. `centre`: the
operator's rate over the weeks with `baseline`: those before coaching on the fault, or all. `chart_lower`,
`chart_upper`: control limits of that week's rate. `signal`: the rate is beyond them. `unassigned` has no rows."""
