"""The user guides in Markdown, one file for each topic, shown by `strikewatch guide` and by the page."""

from pathlib import Path
from typing import Final

_FOLDER: Final = Path(__file__).parent


def topics() -> dict[str, str]:
    """Return the title of each topic: the first line of its file."""
    return {
        path.stem: path.read_text(encoding="utf-8").partition("\n")[0].removeprefix("# ")
        for path in sorted(_FOLDER.glob("*.md"))
    }


def text(topic: str) -> str | None:
    """Return a guide as Markdown; None if there is none on that topic."""
    return (_FOLDER / f"{topic}.md").read_text(encoding="utf-8") if topic in topics() else None
