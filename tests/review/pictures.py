"""Write the review of an invented fleet as pictures, and measure it: `python -m tests.review.pictures FOLDER`.

Eight operators over eight weeks; two stand out, and two were coached.
"""

import sys
from pathlib import Path

from pypdf import PdfReader

from strikewatch.review.report.content import Report
from strikewatch.review.report.files import print_pdf, render_html
from tests.browser import browser
from tests.programs import need_program
from tests.review.invented import operators, report, tables, talk

NAMES = operators(8)
TALKS = (talk("op-13", "same_spot", 28), talk("op-18", "hot_oil", 37), talk("op-77", "hot_oil", 30))
VIEWS = ((1200, "light"), (1200, "dark"), (360, "light"), (360, "dark"))


def eight() -> Report:
    """Return the report; op-77 was coached but never worked."""
    times = {NAMES[2]: 2.6, NAMES[5]: 2.4, NAMES[0]: 0.5}
    return report(tables(NAMES, times, weeks=8, talks=TALKS), most=3)


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    made = eight()
    page, unfolded, pdf = (folder / name for name in ("review.html", "unfolded.html", "review.pdf"))
    page.write_text(render_html(made), encoding="utf-8")
    unfolded.write_text(render_html(made, unfolded=True), encoding="utf-8")
    print_pdf(need_program("chromium"), unfolded, pdf)
    print(f"{len(PdfReader(pdf).pages)} pages of PDF")
    with browser() as chromium:
        for width, scheme in VIEWS:
            view = chromium.new_page(viewport={"width": width, "height": 800}, color_scheme=scheme)  # type: ignore[arg-type]  # literals
            view.goto(page.as_uri())
            top = view.evaluate("document.getElementById('appendix').getBoundingClientRect().top")
            view.screenshot(path=folder / f"{width}-{scheme}.png", full_page=True)
            print(f"{width} {scheme}: {top / 800:.1f} screens before the appendix")
            view.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
