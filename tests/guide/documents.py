"""The README and the guides, cut into their fenced code blocks."""

import re
from dataclasses import dataclass
from pathlib import Path

from strikewatch import guide

TOP = Path(__file__).parents[2]
TEXTS = {"README.md": (TOP / "README.md").read_text(encoding="utf-8")} | {
    f"{topic}.md": guide.text(topic) or "" for topic in guide.topics()
}
_FENCE = re.compile(r"(?:^<!-- (\w+) -->\n)?^```([^\n]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Block:
    """`marker` is the comment on the line before it, `form` what stands behind the fence: `toml`, `json events`, ..."""

    document: str
    number: int
    marker: str
    form: str
    text: str

    def __str__(self) -> str:
        return f"{self.document}-{self.number}"


BLOCKS = [
    Block(name, number, *found)
    for name, text in TEXTS.items()
    for number, found in enumerate(_FENCE.findall(text))
]


def of(*forms: str) -> list[Block]:
    """Return the blocks of these forms."""
    return [block for block in BLOCKS if block.form in forms]


def marked(document: str, marker: str) -> str:
    """Return the text of the one block of a document after `<!-- marker -->`."""
    (found,) = (block for block in BLOCKS if (block.document, block.marker) == (document, marker))
    return found.text
