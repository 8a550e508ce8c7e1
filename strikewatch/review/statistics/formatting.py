"""Numbers of verdicts in words: hours, rates, ratios and p-values."""

import math
from typing import Final

from strikewatch.core.finding import Exposure as Hours

WORKED: Final[dict[Hours, str]] = {
    "firing": "firing",
    "judged": "firing that could be judged",
    "operating": "operating",
}

HOUR: Final[dict[Hours, str]] = {
    "firing": "firing hour",
    "judged": "judged firing hour",
    "operating": "operating hour",
}


def settles(hours: float, over: Hours) -> str:
    """Say how much more work would settle a verdict, as a sentence."""
    about = round_hours(hours, over)
    return f"{about[:1].upper()}{about[1:]} would settle it."


def format_rate(count: float, hours: float) -> str:
    rate = count / hours
    return f"{rate:.2g}" if rate < 10 else f"{rate:.0f}"


def format_ratio(ratio: float) -> str:
    """Format a ratio of rates: 0.04, 0.4, 3.1, 58."""
    if math.isinf(ratio):
        return "any number"
    return f"{ratio:.2f}" if ratio < 0.095 else f"{ratio:.1f}" if ratio < 9.95 else f"{ratio:.0f}"


def round_down(number: float) -> str:
    """Round down, so that a value below a limit is not shown as the limit."""
    return f"{math.floor(10 * number) / 10:.1f}"


def round_hours(hours: float, over: Hours) -> str:
    """Say about how many more hours: about 1 more firing hour, about 25 more firing hours."""
    whole = max(1, math.ceil(hours))
    whole = whole if whole < 20 else 5 * math.ceil(whole / 5)
    return f"about {whole} more {HOUR[over]}{'s' if whole > 1 else ''}"


def amount_of_work(hours: float, over: Hours) -> str:
    worked = f"{hours:.1f} h" if hours >= 1.0 else f"{60 * hours:.0f} min"
    return f"{worked} of {WORKED[over]}"


def ratio_in_words(ratio: float, rate: str, other: str) -> str:
    if ratio == float("inf"):
        return f"some, while {other} had none"
    if ratio == 0.0:
        return f"none, while {other} had some"
    return f"{format_ratio(ratio)} times {rate}" if ratio >= 0.1 else f"less than a tenth of {rate}"


def p_text(p: float) -> str:
    return f"{p:.3f}" if p >= 0.001 else "below 0.001"
