"""What an attack is, the result of one, and its lines in the table of results."""

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from tests.long.attacks.site import Site

Channel = Literal["log", "alert", "rejects"]
"""Where something was reported: the processor's log (warnings and worse), a webhook, the table of rejected data."""

DELAY_GOAL_S = 1.0
DELAY_LIMIT_S = 3.0
"""No alert of another hammer may take longer from its publication to the webhook."""
CPU_LIMIT_S = 5.0
"""Processor time of a short attack, with the ordinary work of some ten seconds."""
GROWTH_LIMIT_MIB = 50.0
"""The processor's memory may not grow by more, not even for a moment."""


@dataclass
class AttackReport:
    """What an attack did. `broken`: each expectation that did not hold. `notes`: its own figures."""

    sent: int = 0
    broken: list[str] = field(default_factory=list)
    notes: dict[str, Any] = field(default_factory=dict)

    def expect(self, holds: bool, otherwise: str) -> None:
        """Add `otherwise` to `broken` unless the expectation holds."""
        if not holds:
            self.broken.append(otherwise)


@dataclass(frozen=True)
class Attack:
    """`run(site, scale)` attacks and returns once the last byte is out. `scale` is 1 for the whole attack.

    `short`: the scale of the test run in CI; None: not part of it. `reports_to`: one of these must report the attack.
    `settings`: tables of settings that the attacked processor needs. `receivers`: misbehaving webhook receivers to add.
    `program`: the module that is run in place of the command. `deaths`: how often the process may end.
    """

    name: str
    what: str
    run: Callable[["Site", float], AttackReport]
    short: float | None = None
    reports_to: frozenset[Channel] = frozenset()
    settings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    receivers: tuple[str, ...] = ()
    program: str = "strikewatch.cli.main"
    deaths: int = 0

    @property
    def plain(self) -> bool:
        """Return whether the attack can share a processor with others."""
        return not self.settings and not self.receivers and self.program == "strikewatch.cli.main"


@dataclass(frozen=True)
class Reports:
    """What was reported about an attack, by channel: kind and count."""

    log: Mapping[str, int]
    alert: Mapping[str, int]
    rejects: Mapping[str, int]
    page: str

    def silent(self, channels: Collection[Channel]) -> bool:
        """Return whether nothing was reported in any of these channels."""
        return bool(channels) and not any(getattr(self, one) for one in channels)


@dataclass(frozen=True)
class Result:
    """`delay_s`: the longest of another hammer's alert; infinite where none came. `outstanding`: what never came.

    `grown_mib`: memory, at the highest. `kept_mib`: afterwards. `deaths`: how often the process ended by itself.
    """

    name: str
    done: AttackReport
    alerts: int
    delay_s: float
    cpu_s: float
    grown_mib: float
    kept_mib: float
    outstanding: int
    deaths: int
    reported: Reports
    unreported: bool
    deaths_allowed: int = 0
    restarted: bool = False
    """Whether the processor was started during the attack: its processor time holds that start."""

    def broken(self, *, timed: bool = True) -> list[str]:
        """Return each broken limit. Not `timed`: judge CPU time, not delays, which depend on machine load."""
        found = list(self.done.broken)
        if timed and DELAY_LIMIT_S < self.delay_s < math.inf:
            found.append(f"an alert of another hammer took {self.delay_s:.1f} s")
        if not timed and not self.restarted and self.cpu_s > CPU_LIMIT_S:
            found.append(f"it took {self.cpu_s:.1f} s of processor time")
        if not self.alerts:
            found.append("no alert of another hammer came to measure by")
        if self.outstanding:
            found.append(f"{self.outstanding} alerts or events of other hammers never came")
        if self.grown_mib > GROWTH_LIMIT_MIB:
            found.append(f"memory grew by {self.grown_mib:.0f} MiB")
        if self.deaths > self.deaths_allowed:
            found.append(f"the processor ended {self.deaths} times")
        if self.unreported:
            found.append("nothing was reported about it in the required channels")
        return found


HEAD = (
    f"{'attack':<18}{'bytes sent':>13}{'alerts':>8}{'delay s':>9}{'CPU s':>8}"
    f"{'peak MiB':>10}{'kept MiB':>10}{'lost':>6}  verdict"
)
NAMED = 6
"""Kinds that are named in one list."""


def table_heading() -> str:
    """Return the heading, with the meaning of the columns."""
    return (
        "delay: the longest of another hammer's alert, publication to webhook, while the processor is up "
        "(goal 1 s, limit 3 s)\n"
        "peak, kept: growth of the processor's memory at its highest, and afterwards (limit 50 MiB)\n"
        "lost: alerts and events of other hammers that never came (must be 0)\n\n" + HEAD
    )


def format_result(result: Result, *, timed: bool = True) -> str:
    """Return a result as lines of text."""
    broken = result.broken(timed=timed)
    over = result.delay_s > DELAY_GOAL_S
    verdict = "NOT HELD" if broken else "held, over goal" if over else "held"
    lines = [
        f"{result.name:<18}{result.done.sent:>13,}{result.alerts:>8}{result.delay_s:>9.2f}{result.cpu_s:>8.1f}"
        f"{result.grown_mib:>10.1f}{result.kept_mib:>10.1f}{result.outstanding:>6}  {verdict}"
    ]
    reported = result.reported
    for name, counts in (("log", reported.log), ("alerts", reported.alert), ("rejects", reported.rejects)):
        lines.append(f"    {name + ':':<9} {_listed(counts)}")
    lines.append(f"    page:     {reported.page}")
    if result.done.notes:
        lines.append("    " + ", ".join(f"{name} {_number(n)}" for name, n in result.done.notes.items()))
    lines += [f"    ! {what}" for what in broken]
    return "\n".join(lines)


def format_failure(attack: Attack, error: BaseException) -> str:
    """Return the line of an attack that ended with an error."""
    return f"{attack.name:<18} NOT HELD: {type(error).__name__}: {error}"


def _listed(counts: Mapping[str, int]) -> str:
    most = sorted(counts.items(), key=lambda one: (-one[1], one[0]))
    text = ", ".join(f"{n:,} × {what}" for what, n in most[:NAMED])
    if len(most) > NAMED:
        text += f", {sum(n for _, n in most[NAMED:]):,} of {len(most) - NAMED} more kinds"
    return text or "nothing"


def _number(value: object) -> str:
    return (
        f"{value:,.4g}"
        if isinstance(value, float)
        else f"{value:,}"
        if isinstance(value, int)
        else str(value)
    )
