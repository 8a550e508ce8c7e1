"""Check everything the processor needs, from outside and without disturbing a running one."""

import secrets
import shutil
import socket
import ssl
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from sqlalchemy import text

from strikewatch.core.instant import SECOND
from strikewatch.errors import StrikewatchError
from strikewatch.settings.tree import Settings
from strikewatch.sources.decode import topic
from strikewatch.sources.mqtt.connect import open_socket, read_password, tls_context
from strikewatch.sources.mqtt.network_thread import disconnect
from strikewatch.sources.mqtt.settings import Settings as Mqtt
from strikewatch.storage.actions import feed_problems
from strikewatch.storage.commit.broker_session import PREFIX, is_guessable, new_client_id, read_session
from strikewatch.storage.engines import disk
from strikewatch.storage.engines.shared import SharedDatabase
from strikewatch.web.settings import Settings as Http

Status = Literal["ok", "attention", "trouble"]
MIB: Final = 1024 * 1024
ROOM_MIB: Final = 1024
LOG_MIB: Final = 256
CLOCK_S: Final = 2.0
PROBLEMS: Final = 20
"""How many problems of senders are shown."""
DETAIL: Final = 160


@dataclass(frozen=True, slots=True)
class CheckResult:
    """The result of one check: what was checked, its status, what was seen, and the remedy."""

    what: str
    word: Status
    seen: str
    remedy: str = ""


def check_all(settings: Settings) -> Iterator[CheckResult]:
    yield from _broker(settings.mqtt)
    yield from _client_id(settings)
    yield from _database(settings)
    yield from _feeds(settings)
    where = settings.store.where
    folder = where.parent if isinstance(where, Path) else Path(settings.recording.folder)
    yield from _disk(folder)
    yield from _secrets(settings)
    yield from _open_files(settings)
    yield from _host_names(settings.http)


def _broker(mqtt: Mqtt) -> Iterator[CheckResult]:
    where = f"{mqtt.host} port {mqtt.port}"
    try:
        line = open_socket(mqtt.host, mqtt.port, mqtt.connect_timeout_s, tls_context(mqtt))
    except socket.gaierror as error:
        yield CheckResult(
            "broker",
            "trouble",
            f"{mqtt.host} cannot be resolved: {error.strerror}",
            "check mqtt.host and DNS",
        )
    except ssl.SSLCertVerificationError as error:
        remedy = "see mqtt.tls.ca_file, and that the certificate names the host"
        yield CheckResult("broker", "trouble", f"certificate refused: {error.verify_message}", remedy)
    except ConnectionRefusedError:
        yield CheckResult("broker", "trouble", f"{where} refuses", "start the broker, or see mqtt.port")
    except (ssl.SSLError, ConnectionError) as error:
        what = f"no TLS with {where}: {error.strerror or error}"
        yield CheckResult("broker", "trouble", what, "check that the port uses TLS")
    except OSError as error:
        yield CheckResult(
            "broker", "trouble", f"{where}: {error}", "see network, firewall and the files of mqtt.tls"
        )
    else:
        sealed = f", {line.version()}" if isinstance(line, ssl.SSLSocket) else ", not encrypted"
        line.close()
        yield CheckResult("broker", "ok", f"{where} answers{sealed}")
        yield _sign_in(mqtt)


def _sign_in(mqtt: Mqtt) -> CheckResult:
    """Sign in as the processor does, with another client id, and subscribe to its topics."""
    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"{PREFIX}check-{secrets.token_hex(4)}",
        protocol=MQTTProtocolVersion.MQTTv5 if mqtt.version == "5" else MQTTProtocolVersion.MQTTv311,
        reconnect_on_failure=False,
    )
    filters, answered, found = topic.filters(mqtt.prefix), threading.Event(), list[CheckResult]()

    def finish(result: CheckResult) -> None:
        found.append(result)
        answered.set()

    def connected(_client: Any, _data: Any, _flags: Any, code: Any, _properties: Any) -> None:
        if code.is_failure:
            finish(
                CheckResult(
                    "sign-in", "trouble", f"refused: {code}", "see mqtt.username and the password's file"
                )
            )
        else:
            client.subscribe([(one, 1) for one in filters])

    def granted(_client: Any, _data: Any, _mid: Any, codes: Any, _properties: Any) -> None:
        denied = [one for one, code in zip(filters, codes, strict=False) if code.is_failure]
        if denied:
            finish(
                CheckResult(
                    "sign-in", "trouble", f"denied: {', '.join(denied)}", "see the broker's access list"
                )
            )
        else:
            finish(CheckResult("sign-in", "ok", "signed in, topics granted"))

    client.on_connect, client.on_subscribe = connected, granted
    try:
        if mqtt.username is not None:
            client.username_pw_set(mqtt.username, read_password(mqtt))
        if (context := tls_context(mqtt)) is not None:
            client.tls_set_context(context)
        client.connect(mqtt.host, mqtt.port)
    except OSError as error:
        return CheckResult("sign-in", "trouble", str(error), "see mqtt.password_file and the network")
    silent = "see the broker's log" + ("" if mqtt.tls else ", and whether the port requires TLS")
    client.loop_start()
    answered.wait(mqtt.connect_timeout_s)
    disconnect(client)
    return found[0] if found else CheckResult("sign-in", "trouble", "no answer in time", silent)


def _client_id(settings: Settings) -> Iterator[CheckResult]:
    """Check whether somebody with any account at the broker could guess the client id, and so end the session."""
    kept = None
    try:
        with SharedDatabase(settings.store.where) as place, place.read() as connection:
            session = read_session(connection)
            kept = None if session is None else session.client_id
    except StrikewatchError:
        pass  # `_database` reports it
    used = settings.mqtt.client_id or kept
    if used is None:
        return
    if not is_guessable(used):
        yield CheckResult("client id", "ok", "cannot be guessed")
        return
    usable = settings.mqtt.client_id is not None and (kept is None or not is_guessable(kept))
    better = "remove mqtt.client_id" if usable else f'set mqtt.client_id = "{new_client_id()}"'
    yield CheckResult(
        "client id",
        "attention",
        f"{used} can be guessed: another account may end the session, and what is queued in it is lost",
        f"{better} while the hammers rest, and protect it at the broker: strikewatch guide operations",
    )


def _database(settings: Settings) -> Iterator[CheckResult]:
    try:
        where = settings.store.where
        with SharedDatabase(where) as database:
            with database.read() as connection:
                sqlite = connection.dialect.name == "sqlite"
                report = connection.scalar(text("PRAGMA quick_check(1)")) if sqlite else "ok"
            with database.write():
                pass
            name = database.name
    except StrikewatchError as error:
        yield CheckResult("database", "trouble", str(error), "start the processor once, or see [store]")
        return
    if report != "ok":
        yield CheckResult("database", "trouble", str(report), "stop the processor, restore the newest backup")
    else:
        yield CheckResult("database", "ok", f"{name} is intact, of this release, and writable")
    file = where.resolve() if isinstance(where, Path) else None
    log = file.with_name(f"{file.name}-wal") if file is not None else None
    if file is not None and file.stat().st_nlink > 1:
        seen = f"{name} has {file.stat().st_nlink} names (hard links), and SQLite keeps a log for each"
        yield CheckResult("database", "attention", seen, "use one name only; copy with strikewatch backup")
    if log is not None and log.exists() and log.stat().st_size > LOG_MIB * MIB:
        size = f"{log.name} has {log.stat().st_size // MIB} MiB"
        yield CheckResult("database log", "attention", size, "stop what reads the database for long")


def _feeds(settings: Settings) -> Iterator[CheckResult]:
    """Check for data of today and yesterday (UTC) that was rejected or not used."""
    now = round(time.time() * SECOND)
    since = (now // feed_problems.DAY - 1) * feed_problems.DAY
    try:
        with SharedDatabase(settings.store.where) as database, database.read() as connection:
            found = feed_problems.search(connection, now, since=since)
    except StrikewatchError:
        return  # `_database` reports it
    problems = [one for one in found if one.reason not in feed_problems.HARMLESS]
    if not problems:
        yield CheckResult("rejected data", "ok", "none since yesterday 00:00 UTC")
    for one in problems[:PROBLEMS]:
        detail = f": {one.detail}" if one.detail else ""
        seen = f"{one.name}: {one.recent:,} × {one.reason}{detail[:DETAIL]}"
        yield CheckResult("rejected data", "attention", seen, one.remedy)
    if len(problems) > PROBLEMS:
        rest = f"{len(problems) - PROBLEMS:,} more problems of senders"
        yield CheckResult("rejected data", "attention", rest, "list all: strikewatch rejects --from 2d")


def _disk(folder: Path) -> Iterator[CheckResult]:
    if not folder.exists():
        yield CheckResult("disk", "attention", f"{folder} does not exist yet", "the processor creates it")
        return
    free = shutil.disk_usage(folder).free // MIB
    status: Status = "ok" if free >= ROOM_MIB else "attention"
    yield CheckResult(
        "disk",
        status,
        f"{free:,} MiB free",
        "" if status == "ok" else "free some space, or keep data for a shorter time",
    )
    try:
        with tempfile.NamedTemporaryFile(dir=folder) as made:
            difference_s = abs(time.time() - Path(made.name).stat().st_mtime)
    except OSError as error:
        yield CheckResult("folder", "trouble", str(error), f"let this user write to {folder}")
        return
    if difference_s > CLOCK_S:
        yield CheckResult(
            "clock",
            "attention",
            f"differs by {difference_s:.0f} s from the file system's",
            "synchronise both by NTP",
        )
    else:
        yield CheckResult("clock", "ok", "agrees with the file system's")


def _secrets(settings: Settings) -> Iterator[CheckResult]:
    named = [settings.mqtt.password_file, *(one.secret_file for one in settings.webhooks)]
    if settings.store.url is not None:
        named.append(settings.store.password_file)
    if settings.heartbeat is not None:
        named.append(settings.heartbeat.secret_file)
    if settings.mqtt.tls is not None:
        named.append(settings.mqtt.tls.key_file)
    for path in map(Path, filter(None, named)):
        try:
            path.read_bytes()
            shared = disk.open_to_others(path)
        except OSError as error:
            yield CheckResult("secret", "trouble", str(error), "let this user read it")
            continue
        if shared:
            yield CheckResult("secret", "attention", f"{path} is open to others", f"chmod 600 {path}")
        else:
            yield CheckResult("secret", "ok", f"{path} is for this user only")


def _open_files(settings: Settings) -> Iterator[CheckResult]:
    """Check whether other users may read the database, the recordings or the log."""
    where = settings.store.where
    named = [where if isinstance(where, Path) else None, settings.recording.folder, settings.log.file]
    for path in filter(None, named):
        if path.exists() and disk.open_to_others(path):
            remedy = "start the processor of this release, which takes the permissions away, or use chmod"
            yield CheckResult("files", "attention", f"{path} is open to others", remedy)


def _host_names(http: Http) -> Iterator[CheckResult]:
    if not http.enabled:
        return
    if http.accepts_any_host:
        seen = "the page answers under any host name"
        yield CheckResult("host names", "attention", seen, "list the names that browsers use in http.hosts")
    else:
        names = ", ".join(dict.fromkeys(["localhost", http.host, *http.hosts]))
        yield CheckResult("host names", "ok", f"the page answers as {names} only")
