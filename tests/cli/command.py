"""Run the command in this process, or in a separate one if a test needs that."""

import contextlib
import io
import subprocess
import sys
from pathlib import Path

import pytest

from strikewatch.cli.main import main

ROOT = Path(__file__).parents[2]
Done = subprocess.CompletedProcess[str]


def strikewatch(*arguments: object, width: int = 80) -> Done:
    """Run a command and capture its output, with a terminal of the given width."""
    words = [str(one) for one in arguments]
    out, err = io.StringIO(), io.StringIO()
    with (
        pytest.MonkeyPatch.context() as patch,
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        patch.setenv("COLUMNS", str(width))
        patch.chdir(ROOT)
        code = main(words)
    return Done(words, code, out.getvalue(), err.getvalue())


def strikewatch_process(*arguments: object) -> Done:
    """Run a command in a separate process with piped output."""
    command = [sys.executable, "-m", "strikewatch.cli.main", *map(str, arguments)]
    return subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, encoding="utf-8", timeout=120, check=False
    )
