"""The tables that `rates` makes of the frames EXPOSURE and FAULTS: what a row of each is, and its columns."""

from typing import Final

from strikewatch.core.finding import Exposure as Hours
from strikewatch.detectors.registry import COMMON, FAULTS, MISUSE

__all__ = ["ALWAYS", "CHANGE", "GROUPS", "MISUSE", "OPERATORS", "OVER", "RATE", "SITES", "WEEKS", "Hours"]

ALWAYS: Final = COMMON
"""The operator's faults that every feed can show: in each table, also where there were none. MISUSE, which only richer
feeds show: in the table of a site where there was one."""
OVER: Final[dict[str, Hours]] = {name: fault.exposure for name, fault in FAULTS.items()}
"""The hours that each fault's rate is taken over."""

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
"""`over`: which hours (Hours). `count` of onsets; `seconds` at fault; `hours` of that kind on hammers whose feed can
show the fault; `judged_share`: part of the firing that could be judged for blank blows, 0..1. `rate` per hour, with
`lower` and `upper`, its 95 % limits; NaN where there were no hours. `limits` says what they are (`poisson.Kind`): exact
(Garwood), or approximate because widened by the site's dispersion, or "little", too wide to say anything: reports and
files then leave them out. `more_h`: how many more hours at the same rate would change that; NaN where it is not
known."""

CHANGE: Final = (
    *("before_count", "before_hours", "before_rate"),
    *("change", "change_lower", "change_upper", "change_p", "change_corrected", "changed", "change_words"),
)
"""Against the period before: `change` is the ratio of the rates, now to before, with exact 95 % limits (0 to infinity
where it cannot be told) and p; `change_corrected`: p with all that is looked at in mind. `changed`: more, fewer, same
or little (to tell), in words in `change_words`; both empty where nothing was worked in one of the two, or no period
before was given."""

OPERATORS: Final = (
    *("site", "operator", "fault"),
    *RATE,
    *("site_rate", "expected", "funnel_lower", "funnel_upper", "ratio"),
    *("shrunk", "shrunk_lower", "shrunk_upper"),
    *("dispersion", "p", "corrected", "standing", "verdict", "less_certain"),
    *CHANGE,
)
"""One row per site, operator and fault, in that order; `unassigned` last in its site, compared with nobody: NaN, and
`standing` is empty.

`site_rate`: of all that were signed on. `expected`: the count at that rate. `funnel_lower`, `funnel_upper`: rates
between which 95 % of predictions for these hours lie. `ratio`: own rate to that of the others at the site, those who
stand out above left aside. `shrunk`: the probable rate, drawn towards the site's, with its 95 % interval.
`dispersion`: variance of counts to that of a Poisson, as allowed for. `p`: own rate against the others'; NaN where not
looked at; `corrected` for all operators and faults of the site. `standing`: above, below, within, little; `verdict`
says it in words, with the reason. `less_certain`: how many of `count` were found on hammers whose feed lets the fault
be inferred only.
"""

SITES: Final = (
    *("site", "fault"),
    *RATE,
    *("operators", "dispersion", "dispersion_p", "dispersion_words"),
    *CHANGE,
)
"""One row per site and fault, everybody's and nobody's together. `operators`: how many signed on and worked.
`dispersion` as above; `dispersion_p`: how probable it would be that a plain Poisson varies so much between days, NaN
where it is not known; `dispersion_words` say which of the two is believed."""

GROUPS: Final = RATE
"""One row per site, hammer, tool or week (as asked; those columns come first) and fault, with nobody signed on too."""

WEEKS: Final = (
    *("site", "operator", "fault", "week"),
    *RATE,
    *("centre", "chart_lower", "chart_upper", "signal"),
)
"""One row per site, operator, fault and week worked in; `week` is the day it begins with, a Monday. `centre`: the
operator's rate over all weeks; `chart_lower`, `chart_upper`: rates between which a week's lies when nothing has
changed; `signal`: beyond them. Without a row for `unassigned`."""
