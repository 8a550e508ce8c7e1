"""The two tidy frames that a review is computed from, the same from the database or from recordings."""

from typing import Final

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
