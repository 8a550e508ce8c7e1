"""`strikewatch check` names each trouble, over real brokers, certificates, disks and databases."""

import json
import re
import sqlite3
import tempfile
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import URL

from strikewatch.cli.main import main
from strikewatch.service import health_check
from strikewatch.storage.commit.broker_session import load_session
from strikewatch.storage.commit.store import Store
from strikewatch.storage.schema import SCHEMA_VERSION
from tests.broker import Broker, Tls, free_port, granting
from tests.certificates import Authority, Issued
from tests.disk import SmallDisk
from tests.storage.test_disk_faults import another_user


def run_check(
    folder: Path, capsys: pytest.CaptureFixture[str], port: int, more: str = ""
) -> tuple[int, dict[str, Any]]:
    (folder / "s.toml").write_text(
        f'[store]\npath = "{folder / "w.db"}"\n[mqtt]\nhost = "127.0.0.1"\nport = {port}\n{more}'
    )
    capsys.readouterr()  # what the test itself brought about
    code = main(["check", "--json", "--config", str(folder / "s.toml")])
    return code, {one["what"]: one for one in map(json.loads, capsys.readouterr().out.splitlines())}


def test_check_passes_and_then_names_each_problem(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Store(tmp_path / "w.db").close()
    (tmp_path / "pw").write_text("right\n")
    (tmp_path / "pw").chmod(0o600)
    signed = f'username = "p"\npassword_file = "{tmp_path / "pw"}"\n'
    with Broker(tmp_path, users={"p": "right"}) as broker:
        code, found = run_check(tmp_path, capsys, broker.port, signed)
        assert code == 0
        assert {one["word"] for one in found.values()} <= {"ok", "attention"}
        assert found["sign-in"]["word"] == found["secret"]["word"] == found["database"]["word"] == "ok"
        (tmp_path / "pw").write_text("wrong\n")
        (tmp_path / "pw").chmod(0o644)
        code, found = run_check(tmp_path, capsys, broker.port, signed)
        assert (code, found["sign-in"]["word"], found["secret"]["word"]) == (1, "trouble", "attention")
        assert "wrong" not in json.dumps(found)
    code, found = run_check(tmp_path, capsys, free_port())
    assert code == 1
    assert found["broker"]["seen"].endswith("refuses")
    (tmp_path / "w.db").write_bytes(b"no database" * 1000)
    assert run_check(tmp_path, capsys, free_port())[1]["database"]["word"] == "trouble"


def run_checks(folder: Path, capsys: pytest.CaptureFixture[str], **tables_: dict[str, Any]) -> dict[str, Any]:
    """Return the findings by subject; without other settings there is neither a broker nor a database."""
    given: dict[str, Any] = {
        "mqtt": {"port": free_port()},
        "store": {"path": str(folder / "w.db")},
    } | tables_
    lines = [
        line
        for name, table in given.items()
        for line in (f"[{name}]", *(f"{key} = {json.dumps(value)}" for key, value in table.items()))
    ]
    (folder / "s.toml").write_text("\n".join(lines))
    capsys.readouterr()
    main(["check", "--json", "--config", str(folder / "s.toml")])
    return {one["what"]: one for one in map(json.loads, capsys.readouterr().out.splitlines())}


def printed_text(found: dict[str, Any], what: str) -> tuple[str, str]:
    return found[what]["word"], found[what]["seen"]


def test_an_unknown_broker_host_is_reported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Source: RFC 2606: the names under .invalid lead nowhere."""
    found = run_checks(tmp_path, capsys, mqtt={"host": "broker.invalid"})
    word, seen = printed_text(found, "broker")
    assert (word, seen.partition(":")[0]) == ("trouble", "broker.invalid cannot be resolved")
    assert "DNS" in found["broker"]["remedy"]


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("wrong authority", "self-signed certificate"),
        ("expired", "expired"),
        ("other name", "IP address mismatch"),
        ("good", ""),
    ],
)
def test_tls(tmp_path: Path, capsys: pytest.CaptureFixture[str], case: str, words: str) -> None:
    ca, stranger = Authority(tmp_path), Authority(tmp_path, "a stranger")
    hosts = ["broker.example"] if case == "other name" else ["127.0.0.1"]
    server: Issued = ca.issue("broker", hosts, good_days=-0.1 if case == "expired" else 30)
    with Broker(tmp_path, tls=Tls(ca.ca_file, server.cert_file, server.key_file)) as broker:
        trusted = stranger if case == "wrong authority" else ca
        found = run_checks(
            tmp_path,
            capsys,
            mqtt={"host": broker.host, "port": broker.port},
            **{"mqtt.tls": {"ca_file": str(trusted.ca_file)}},
        )
    word, seen = printed_text(found, "broker")
    if case == "good":
        assert word == "ok"
        assert "TLSv1" in seen
        assert found["sign-in"]["word"] == "ok"
    else:
        assert (word, seen.partition(": ")[0]) == ("trouble", "certificate refused")
        assert words in seen
        assert "sign-in" not in found


def test_tls_on_a_plain_port_and_plain_on_a_tls_port_are_reported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ca = Authority(tmp_path)
    server = ca.issue("broker", ["127.0.0.1"])
    tls = {"mqtt.tls": {"ca_file": str(ca.ca_file)}}
    with Broker(tmp_path / "open") as broker:
        word, seen = printed_text(run_checks(tmp_path, capsys, mqtt={"port": broker.port}, **tls), "broker")
        assert word == "trouble"
        assert "no TLS with" in seen
    sealed = Tls(ca.ca_file, server.cert_file, server.key_file)
    with Broker(tmp_path / "sealed", tls=sealed) as broker:
        found = run_checks(tmp_path, capsys, mqtt={"port": broker.port, "connect_timeout_s": 1.0})
        assert printed_text(found, "broker")[0] == "ok"
        assert printed_text(found, "sign-in")[0] == "trouble"
        assert "whether the port requires TLS" in found["sign-in"]["remedy"]


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_denied_topics_are_reported(tmp_path: Path, capsys: pytest.CaptureFixture[str], version: str) -> None:
    with Broker(tmp_path, extra=granting(tmp_path, "strikewatch/+/+/events")) as broker:
        found = run_checks(tmp_path, capsys, mqtt={"port": broker.port, "version": version})
    assert printed_text(found, "sign-in") == ("trouble", "denied: strikewatch/+/+/samples")


def test_a_silent_broker_is_reported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Broker(tmp_path) as broker:
        broker.freeze()
        found = run_checks(tmp_path, capsys, mqtt={"port": broker.port, "connect_timeout_s": 0.5})
        broker.thaw()
    assert printed_text(found, "sign-in") == ("trouble", "no answer in time")


def test_little_disk_space_is_reported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with SmallDisk(tmp_path / "disk", mib=24) as disk:
        path = disk.folder / "w.db"
        Store(path).close()
        found = run_checks(tmp_path, capsys, store={"path": str(path)})
        assert printed_text(found, "disk")[0] == "attention"
        assert printed_text(found, "database")[0] == "ok"
        disk.fill()
        found = run_checks(tmp_path, capsys, store={"path": str(path)})
        assert printed_text(found, "disk") == ("attention", "0 MiB free")


def test_missing_permissions_are_reported(capsys: pytest.CaptureFixture[str]) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        Store(folder / "w.db").close()
        (folder / "secret").write_text("whsec_x")
        (folder / "secret").chmod(0o000)
        (folder / "w.db").chmod(0o444)
        (folder / "s.toml").touch()
        (folder / "s.toml").chmod(0o666)
        folder.chmod(0o555)
        with another_user():
            found = run_checks(
                folder, capsys, mqtt={"username": "p", "password_file": str(folder / "secret")}
            )
        folder.chmod(0o755)
    assert printed_text(found, "database")[0] == "trouble"
    assert found["folder"]["remedy"] == f"let this user write to {folder}"
    assert found["secret"]["remedy"] == "let this user read it"


def test_a_clock_that_differs_from_the_file_system_is_reported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only the clock is simulated; the file system's is real."""
    real = time.time

    class ClockAhead:
        @staticmethod
        def time() -> float:
            return real() + 90

    monkeypatch.setattr(health_check, "time", ClockAhead)
    word, seen = printed_text(run_checks(tmp_path, capsys), "clock")
    assert word == "attention"
    assert re.fullmatch(r"differs by (89|9[01]) s from the file system's", seen)


@pytest.mark.parametrize(
    ("revision", "words"),
    [
        ("9999", f"knows versions up to {SCHEMA_VERSION}: use the newer release"),
        ("0003", "start the processor of this release once"),
    ],
)
def test_a_database_of_another_release_is_reported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], revision: str, words: str
) -> None:
    Store(tmp_path / "w.db").close()
    with closing(sqlite3.connect(tmp_path / "w.db")) as database:
        database.execute("update strikewatch_revision set version_num = ?", (revision,))
        database.commit()
    word, seen = printed_text(run_checks(tmp_path, capsys), "database")
    assert word == "trouble"
    assert words in seen


def test_a_missing_database_is_reported_by_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    word, seen = printed_text(run_checks(tmp_path, capsys), "database")
    assert word == "trouble"
    assert "start it first" in seen


def test_an_unreachable_and_a_working_database_server_are_told_apart(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], where: Path | URL
) -> None:
    if isinstance(where, Path):
        url = f"postgresql://strikewatch@127.0.0.1:{free_port()}/watch"
    else:
        url = where.render_as_string(hide_password=False)
        Store(where).close()
    found = run_checks(tmp_path, capsys, store={"url": url})
    word, seen = printed_text(found, "database")
    assert word == ("trouble" if isinstance(where, Path) else "ok")
    assert isinstance(where, URL) or "refused" in seen


@pytest.mark.parametrize(
    ("http", "word", "seen"),
    [
        ({}, "ok", "the page answers as localhost, 127.0.0.1 only"),
        ({"tls_in_front": True}, "attention", "the page answers under any host name"),
        ({"trusted_proxies": ["10.1.0.0/16"]}, "attention", "the page answers under any host name"),
        ({"host": "0.0.0.0"}, "attention", "the page answers under any host name"),
        (
            {"tls_in_front": True, "hosts": ["page.example"]},
            "ok",
            "the page answers as localhost, 127.0.0.1, page.example only",
        ),
    ],
)
def test_host_names_that_are_not_checked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], http: dict[str, Any], word: str, seen: str
) -> None:
    found = run_checks(tmp_path, capsys, http=http)
    assert printed_text(found, "host names") == (word, seen)
    assert (word == "ok") == ("http.hosts" not in found["host names"]["remedy"])


def test_host_names_where_nothing_listens(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "host names" not in run_checks(tmp_path, capsys, http={"enabled": False})


def test_a_client_id_that_can_be_guessed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A configured one, and that of an earlier release; the one that the database makes cannot be."""
    assert (
        printed_text(run_checks(tmp_path, capsys, mqtt={"client_id": "strikewatch"}), "client id")[0]
        == "attention"
    )
    store = Store(tmp_path / "w.db")
    load_session(store)
    store.close()
    assert printed_text(run_checks(tmp_path, capsys), "client id") == ("ok", "cannot be guessed")
    with closing(sqlite3.connect(tmp_path / "w.db")) as database, database:
        database.execute("UPDATE broker_session SET client_id = 'strikewatch'")
    found = run_checks(tmp_path, capsys)
    assert printed_text(found, "client id")[0] == "attention"
    assert "set mqtt.client_id" in found["client id"]["remedy"]


def test_check_names_files_that_others_may_read_and_databases_with_several_names(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Store(tmp_path / "w.db").close()
    (tmp_path / "recordings").mkdir(0o700)
    more = f'[recording]\nfolder = "{tmp_path / "recordings"}"\n'
    assert "files" not in run_check(tmp_path, capsys, free_port(), more)[1]
    (tmp_path / "recordings").chmod(0o755)
    found = run_check(tmp_path, capsys, free_port(), more)[1]["files"]
    assert (found["word"], found["seen"]) == ("attention", f"{tmp_path / 'recordings'} is open to others")
    (tmp_path / "second.db").hardlink_to(tmp_path / "w.db")
    assert "2 names" in run_check(tmp_path, capsys, free_port())[1]["database"]["seen"]


def test_check_names_a_database_password_that_others_may_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    password = tmp_path / "password"
    password.write_text("secret")
    password.chmod(0o640)
    found = run_checks(
        tmp_path,
        capsys,
        store={"url": "postgresql://watch@127.0.0.1:1/watch", "password_file": str(password)},
    )
    assert found["secret"]["seen"] == f"{password} is open to others"
