"""The caution that is shown with every piece of advice."""

from typing import Final

CAUTION: Final = (
    "Advice, never a safety function. The operator's manual, local rules and licensed practice come first. "
    "Blank firing is suspected, never measured."
)
