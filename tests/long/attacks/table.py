"""The table: one attack a line, and below it what was said to whom and what did not hold."""

from collections.abc import Mapping

from tests.long.attacks.attack import DELAY_GOAL_S, Attack, Result

HEAD = (
    f"{'attack':<18}{'bytes sent':>13}{'alerts':>8}{'delay s':>9}{'CPU s':>8}"
    f"{'peak MiB':>10}{'kept MiB':>10}{'lost':>6}  verdict"
)
NAMED = 6
"""Kinds that are named in one list."""


def head() -> str:
    """The heading, with what the columns are."""
    return (
        "delay: the longest of another hammer's alert, publication to webhook (goal 1 s, limit 3 s)\n"
        "peak, kept: growth of the processor's memory at its highest, and afterwards (limit 50 MiB)\n"
        "lost: alerts and events of other hammers that never came (must be 0)\n\n" + HEAD
    )


def row(result: Result, *, timed: bool = True) -> str:
    """A result as a few lines of text."""
    broken = result.broken(timed=timed)
    over = result.delay_s > DELAY_GOAL_S
    verdict = "NOT HELD" if broken else "held, over goal" if over else "held"
    lines = [
        f"{result.name:<18}{result.done.sent:>13,}{result.alerts:>8}{result.delay_s:>9.2f}{result.cpu_s:>8.1f}"
        f"{result.grown_mib:>10.1f}{result.kept_mib:>10.1f}{result.outstanding:>6}  {verdict}"
    ]
    said = result.said
    for name, counts in (("log", said.log), ("alerts", said.alert), ("rejects", said.rejects)):
        lines.append(f"    {name + ':':<9} {_listed(counts)}")
    lines.append(f"    page:     {said.page}")
    if result.done.notes:
        lines.append("    " + ", ".join(f"{name} {_number(n)}" for name, n in result.done.notes.items()))
    lines += [f"    ! {what}" for what in broken]
    return "\n".join(lines)


def failed(attack: Attack, error: BaseException) -> str:
    """The lines of an attack that ended with an error of its own."""
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
