"""Run the parts of trials, several at once and each in a process of its own, and print a table of verdicts.

A part prints one JSON object a line: its lines of the table. What it prints otherwise is shown as it is, and a part
that ends with an error has not held; the others are run all the same.
"""

import json
import os
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.long.trials.trial import Line, Trial, format_line

Report = Callable[[str], None]
Command = Callable[[str, str, float], Sequence[str]]
"""Returns the command that runs a part: trial, part, scale."""

ENDED = "it ended with an error"


@dataclass(frozen=True)
class PartResult:
    """`output`: what a part printed beside its lines, for people. `took_s`: by the clock."""

    trial: Trial
    part: str
    lines: tuple[Line, ...]
    output: str
    took_s: float

    @property
    def held(self) -> bool:
        return bool(self.lines) and not any(line.broken for line in self.lines)


def run_part(trial: Trial, part: str, scale: float) -> None:
    """Run one part in this process and print its lines."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        try:
            for line in trial.parts(scale)[part](Path(folder)):
                print(json.dumps(line._asdict()), flush=True)
        except Exception:  # noqa: BLE001 - whatever it is, the part has not held
            print(traceback.format_exc())
            print(json.dumps(Line(part, {}, (ENDED,))._asdict()), flush=True)


def part_command(trial: str, part: str, scale: float) -> Sequence[str]:
    """Return the command that runs a part in a process of its own, which ends with this one."""
    run = ["-m", "tests.long.trials", trial, "--part", part, "--scale", str(scale)]
    return ["setpriv", "--pdeathsig", "TERM", sys.executable, *run]


def run_trials(
    trials: Sequence[Trial], scale: float, jobs: int, report: Report, command: Command = part_command
) -> bool:
    """Run the trials and report; return whether everything held.

    Args:
        trials: in the order of the table.
        scale: how much of each; 1 is the whole.
        jobs: how many parts run at once; those of trials that must be alone run afterwards, one by one.
        report: prints a text.
        command: for tests.
    """
    began = time.monotonic()
    printing = threading.Lock()
    results: list[PartResult] = []

    def run(trial: Trial, part: str) -> None:
        result = _run_process(trial, part, command(trial.name, part, scale))
        with printing:
            results.append(result)
            report(format_part(result))

    for alone in (False, True):
        with ThreadPoolExecutor(1 if alone else jobs) as pool:
            chosen = [one for one in trials if one.alone == alone]
            done = [pool.submit(run, one, part) for one in chosen for part in one.parts(scale)]
            for future in done:
                future.result()
    report(format_table(trials, results, time.monotonic() - began))
    return bool(results) and all(one.held for one in results)


def _run_process(trial: Trial, part: str, command: Sequence[str]) -> PartResult:
    began = time.monotonic()
    lines: list[Line] = []
    output: list[str] = []
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment
    ) as process:
        assert process.stdout is not None
        for text in process.stdout:
            try:
                line = Line(**json.loads(text))
            except (ValueError, TypeError):
                output.append(text)
            else:
                lines.append(line._replace(broken=tuple(line.broken)))
    if process.returncode:
        lines.append(Line(part, {}, (f"its process ended with {process.returncode}",)))
    return PartResult(trial, part, tuple(lines), "".join(output), time.monotonic() - began)


def format_part(result: PartResult) -> str:
    """Return the lines of a part, and what it printed otherwise if it did not hold."""
    text = [f"\n{result.trial.name}, {result.part} ({result.took_s:.0f} s)"]
    if result.output.strip() and not result.held:
        text.append(result.output.rstrip())
    text += [format_line(line) for line in result.lines]
    return "\n".join(text)


def format_table(trials: Iterable[Trial], results: Sequence[PartResult], took_s: float) -> str:
    """Return the table: a trial with its verdict a line, and what its slowest part took."""
    text = [f"\n{'trial':<10}{'verdict':<12}{'lines held':<12}{'slowest part':<28}what must hold"]
    for trial in trials:
        own = [one for one in results if one.trial.name == trial.name]
        lines = [line for one in own for line in one.lines]
        held = f"{sum(not line.broken for line in lines)} of {len(lines)}"
        slowest = max(own, key=lambda one: one.took_s, default=None)
        longest = f"{slowest.took_s:.0f} s ({slowest.part})" if slowest else ""
        verdict = "held" if own and all(one.held for one in own) else "NOT HELD"
        text.append(f"{trial.name:<10}{verdict:<12}{held:<12}{longest:<28}{trial.holds}")
    return "\n".join([*text, f"\n{took_s / 60:.1f} min in all"])
