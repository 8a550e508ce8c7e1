"""Print the report as a tagged PDF with an installed Chromium."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final

from strikewatch.errors import InputError

TIMEOUT_S: Final = 300.0
"""Hundreds of pages take a minute; a browser that hangs must not block us."""


def print_pdf(browser: str, page: Path, target: Path) -> None:
    """Print an HTML file to `target` with a browser. Raises InputError if that fails."""
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
            command.insert(1, "--no-sandbox")  # it refuses to start sandboxed as root; the page is our own
        try:
            done = subprocess.run(command, capture_output=True, timeout=TIMEOUT_S, check=False)
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
