"""Foreign text on one line, as people may safely see it on a page, in a log or in a terminal."""


def printable(text: str, limit: int = 200) -> str:
    """Escape control characters, line breaks and direction marks; cut the text to `limit` characters."""
    shown = "".join(
        char if char.isprintable() else char.encode("unicode_escape").decode() for char in text[: limit + 1]
    )
    return shown if len(shown) <= limit else f"{shown[:limit]}…"
