"""`strikewatch guide`: prints a guide, or lists them."""

from rich.console import Console
from rich.markdown import Markdown

from strikewatch import guide
from strikewatch.errors import Refused


def show(topic: str | None, *, markdown: bool) -> int:
    """Raises Refused for a topic that there is not."""
    if topic is None:
        titles = guide.topics()
        width = max(map(len, titles))
        for name, title in titles.items():
            print(f"{name:<{width}}  {title}")
        return 0
    text = guide.text(topic)
    if text is None:
        raise Refused(f"there is no guide {topic!r}; there are: {', '.join(guide.topics())}")
    if markdown:
        print(text, end="")
    else:
        Console(highlight=False).print(Markdown(text))
    return 0
