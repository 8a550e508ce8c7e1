"""The command as people start it."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def strikewatch(*arguments: object, width: int = 80) -> "subprocess.CompletedProcess[str]":
    """`strikewatch …` in a process of its own, its output piped."""
    return subprocess.run(
        [sys.executable, "-m", "strikewatch.cli.main", *map(str, arguments)],
        cwd=ROOT,
        env={"COLUMNS": str(width), "HOME": str(Path.home()), "PATH": "/usr/bin:/bin", "LANG": "C.UTF-8"},
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
