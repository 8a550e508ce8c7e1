"""A real PostgreSQL for tests: Debian's, on a free loopback port, in a folder that goes with it.

    with Postgresql() as server:
        url = server.database()      # a new, empty one
        server.restart()             # a clean stop and start on the same port
        server.kill()                # kill -9 of all of it

It refuses to run as root, so under root it runs as the user `postgres` that its package makes. It dies with the
thread that started it.
"""

import atexit
import contextlib
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

import psycopg
from sqlalchemy import URL, make_url

from tests.broker import free_port
from tests.programs import need_program
from tests.waiting import LIMIT_S

SETTINGS = {
    "listen_addresses": "127.0.0.1",
    "unix_socket_directories": "",
    "shared_buffers": "16MB",
    "autovacuum": "off",
    "fsync": "off",  # the machine stays up: what is written survives the server's death without it
    "log_min_messages": "warning",
}


_templates: list[Path] = []


def _template(command: Callable[..., list[str]]) -> Path:
    """Return a data folder that is ready to be copied, made once per process: initdb takes seconds of CPU."""
    if not _templates:
        folder = Path(tempfile.mkdtemp(prefix="postgresql-", dir="/tmp"))
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        if os.getuid() == 0:
            shutil.chown(folder, "postgres", "postgres")
        options = ("-U", "strikewatch", "-A", "trust", "-E", "UTF8", "--no-locale", "-N")
        initdb = command("initdb", "-D", str(folder / "data"), *options)
        subprocess.run(initdb, check=True, capture_output=True, cwd="/")
        _templates.append(folder / "data")
    return _templates[0]


class Postgresql:
    """One server; `extra` are further settings of it."""

    def __init__(self, **extra: str) -> None:
        self.port = free_port()
        self._programs = Path(need_program("postgres")).resolve().parent
        self._settings = SETTINGS | extra
        self._folder = Path(tempfile.mkdtemp(prefix="postgresql-", dir="/tmp"))
        self._as_user: list[str] = []
        if os.getuid() == 0:
            shutil.chown(self._folder, "postgres", "postgres")
            self._as_user = ["--reuid=postgres", "--regid=postgres", "--clear-groups"]
        self._process: subprocess.Popen[bytes] | None = None
        self._databases = 0
        template = _template(self._command)
        subprocess.run(["cp", "-a", str(template), self._data], check=True)

    @property
    def _data(self) -> str:
        return str(self._folder / "data")

    def _command(self, program: str, *arguments: str) -> list[str]:
        return ["setpriv", *self._as_user, "--pdeathsig", "KILL", str(self._programs / program), *arguments]

    def start(self) -> None:
        settings = [f"--{name}={value}" for name, value in {"port": str(self.port), **self._settings}.items()]
        with (self._folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                self._command("postgres", "-D", self._data, *settings),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                cwd="/",
                start_new_session=True,
            )
        deadline = time.monotonic() + LIMIT_S
        while self._process.poll() is None and time.monotonic() < deadline:
            with contextlib.suppress(psycopg.OperationalError):
                psycopg.connect(self._address("postgres"), connect_timeout=2).close()
                return
            time.sleep(0.02)
        raise RuntimeError(f"PostgreSQL did not start:\n{(self._folder / 'log').read_text()}")

    def stop(self) -> None:
        """What its users see of a planned restart: sessions are ended, all is written."""
        self._end(signal.SIGINT)

    def kill(self) -> None:
        """kill -9 of the server and every session's process."""
        if self._process is not None:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait(10)
            self._process = None

    def restart(self) -> None:
        self.stop()
        self.start()

    def _end(self, how: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.send_signal(how)
            process.wait(LIMIT_S)

    def database(self, encoding: str = "UTF8") -> URL:
        """The address of a new, empty database."""
        self._databases += 1
        name = f"watch{self._databases}"
        self.ask("postgres", f"CREATE DATABASE {name} TEMPLATE template0 ENCODING '{encoding}'")
        return make_url(self._address(name))

    def ask(self, database: str | None, sql: str) -> list[tuple[object, ...]]:
        with psycopg.connect(self._address(database or "postgres"), autocommit=True) as connection:
            cursor = connection.execute(sql)
            return cursor.fetchall() if cursor.description else []

    def dump(self, url: URL) -> bytes:
        """Return a copy of a database, made by pg_dump."""
        command = self._command("pg_dump", "--format=custom", str(url))
        return subprocess.run(command, check=True, capture_output=True, cwd="/").stdout

    def restore(self, url: URL, copy: bytes) -> None:
        """Replace a database by a copy, with pg_restore."""
        command = self._command("pg_restore", "--clean", "--if-exists", f"--dbname={url}")
        subprocess.run(command, check=True, capture_output=True, cwd="/", input=copy)

    def _address(self, database: str) -> str:
        return f"postgresql://strikewatch@127.0.0.1:{self.port}/{database}"

    def __enter__(self) -> "Postgresql":
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()
        shutil.rmtree(self._folder, ignore_errors=True)
