"""The report as PDF, printed by an installed Chromium: the same page, tagged, its letters as text."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final

from strikewatch.errors import InputError

PROGRAMS: Final = ("chromium", "chromium-browser")
PATIENCE_S: Final = 300.0
"""Hundreds of pages take a minute; a browser that hangs shall not hang us."""


def program() -> str | None:
    """Where the browser is; None where none is installed."""
    return next((found for name in PROGRAMS if (found := shutil.which(name))), None)


def pdf(browser: str, page: Path, target: Path) -> None:
    """Have a browser print the HTML file to `target`. Raises InputError where that cannot be done."""
    with tempfile.TemporaryDirectory(prefix="strikewatch-") as scratch:
        made = Path(scratch) / "report.pdf"
        command = [
            browser,
            "--headless",
            "--disable-gpu",
            "--no-pdf-header-footer",
            f"--user-data-dir={scratch}/profile",
            f"--print-to-pdf={made}",
            page.resolve().as_uri(),
        ]
        if os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # refuses to start as root with it; the page is our own
        try:
            done = subprocess.run(command, capture_output=True, timeout=PATIENCE_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise InputError(f"--pdf: {command[0]} did not print ({error}); print {page} by hand") from None
        if done.returncode or not made.exists():
            said = done.stderr.decode(errors="replace").strip().splitlines()
            why = said[-1] if said else f"exit {done.returncode}"
            raise InputError(f"--pdf: {command[0]} did not print ({why}); print {page} by hand")
        try:
            shutil.copyfile(made, target)
        except OSError as error:
            raise InputError(f"{target}: cannot be written ({error.strerror}); name another place") from None
