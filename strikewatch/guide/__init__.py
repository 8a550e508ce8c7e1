"""The guides, in Markdown: printed by a command and shown by the page. One file a topic."""

from pathlib import Path
from typing import Final

_FOLDER: Final = Path(__file__).parent


def topics() -> dict[str, str]:
    """Topic → its title, which is the first line of its file."""
    return {
        path.stem: path.read_text(encoding="utf-8").partition("\n")[0].removeprefix("# ")
        for path in sorted(_FOLDER.glob("*.md"))
    }


def text(topic: str) -> str | None:
    """A guide as Markdown; None where there is none on that topic."""
    return (_FOLDER / f"{topic}.md").read_text(encoding="utf-8") if topic in topics() else None
