"""The cautions that go with every piece of advice."""

from typing import Final

CAUTION: Final = (
    "Advice, never a safety function. The hammer's handbook, local rules and licensed practice come first. "
    "Blank firing is suspected, never measured."
)
