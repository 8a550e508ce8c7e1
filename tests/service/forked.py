"""Start `strikewatch` as a process forked from one that has imported it already, at a tenth of the usual cost.

    process = Forked(["run", "--config", "settings.toml"], stderr)

`preloaded` is what the server of these processes imports. `context` makes processes of other functions.
"""

import importlib
import multiprocessing
import os
import signal
import sys
from pathlib import Path
from typing import Final

COMMAND: Final = "strikewatch.cli.main"
context = multiprocessing.get_context("forkserver")
context.set_forkserver_preload(["tests.service.preloaded"])


class Forked:
    """A running command, with what tests use of `subprocess.Popen`. Its standard error is appended to a file.

    `program` is the module whose `main` it runs.
    """

    def __init__(self, words: list[str], errors: Path, program: str = COMMAND) -> None:
        self._process = context.Process(
            target=_run, args=(program, words, errors, dict(os.environ), Path.cwd()), daemon=True
        )
        self._process.start()
        assert self._process.pid is not None
        self.pid = self._process.pid

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        self._process.join(timeout)
        code = self.poll()
        if code is None:
            raise TimeoutError(f"process {self.pid} still runs after {timeout} s")
        return code

    def send_signal(self, number: signal.Signals) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)


def _run(program: str, words: list[str], errors: Path, environment: dict[str, str], folder: Path) -> None:
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    with errors.open("ab", buffering=0) as file, Path(os.devnull).open("wb") as nothing:
        os.dup2(nothing.fileno(), 1)
        os.dup2(file.fileno(), 2)
    sys.exit(importlib.import_module(program).main(words))
