"""The two tidy frames that a review is made of. From the store or from recordings, they are the same."""

from typing import Final

UNASSIGNED: Final = "unassigned"
"""The operator of what happened with nobody signed on: shown, never blamed, never compared."""

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
"""One row per stretch of a hammer with one operator and one tool, at most a clock hour (UTC) long.

`start`, `end`: timestamps, UTC. `operating_s`: the carrier worked; `firing_s`: the hammer fired; `judged_s`: firing
that could be judged for blank blows. `bouts` counts those that began in the stretch; `blows`, and the suspected
`blank_blows` among them, are NaN where none could be counted; `blank_s`: firing suspected blank. A stretch in which the
carrier did not work has no row.
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
"""One row per alert and operator it lasted over.

`count` is 1 in the row of who was signed on at the onset, 0 in the others; `seconds` is each one's part of the time
from onset to clearing (to the end of the period where the alert stands; `cleared` is NaT then). `evidence` is a dict.
"""
