"""`strikewatch sources`: check, try, listen at a real broker beside the processor, and propose."""

import base64
import json
import threading
import tomllib
from pathlib import Path

import msgpack
import pytest

from strikewatch.sources.mapping import check_tables
from tests.broker import Broker
from tests.cli.command import strikewatch, strikewatch_process
from tests.mqtt_client import connected, listening
from tests.sources.mapping.examples import MESSAGES, example_text
from tests.waiting import until

TELEM = """
[telem]
topic = "v1/{site}/{hammer}/telem"
time = { at = "@.t", as = "s" }
[telem.channels]
pressure_bar = { at = "@.hyd.pres", unit = "kPa" }
oil_c = "@.hyd.oil"
"""


@pytest.fixture
def examples(tmp_path: Path) -> Path:
    path = tmp_path / "sources.toml"
    path.write_text(example_text(), encoding="utf-8")
    return path


@pytest.fixture
def heard(tmp_path: Path) -> Path:
    path = tmp_path / "heard.jsonl"
    lines = [
        {
            "topic": topic,
            "received": "2026-03-04T07:15:30Z",
            "payload_base64": base64.b64encode(payload).decode(),
        }
        for topic, payload in MESSAGES
    ]
    path.write_text("".join(f"{json.dumps(line)}\n" for line in lines))
    return path


def test_check_prints_subscriptions_and_what_the_access_list_needs(examples: Path) -> None:
    done = strikewatch("sources", "check", "--sources", examples, width=150)
    assert done.returncode == 0
    lines = done.stdout.splitlines()
    assert "topic read spBv1.0/Fennick Hollow/#" in lines
    assert "topic write spBv1.0/Fennick Hollow/NCMD/+" in lines
    records = strikewatch("sources", "check", "--sources", examples, "--json").stdout.splitlines()
    assert json.loads(records[0])["filters"] == {"pit/+/+": 0}
    assert len(records) == 8


def test_check_names_every_mistake_with_its_place(tmp_path: Path) -> None:
    path = tmp_path / "sources.toml"
    path.write_text(TELEM.replace("oil_c", "oil_cc").replace('"kPa"', '"kpa"'))
    done = strikewatch("sources", "check", "--sources", path)
    assert done.returncode == 2
    assert "telem.channels.oil_cc" in done.stderr
    assert "telem.channels.pressure_bar.unit" in done.stderr


def test_try_shows_rows_rejects_and_what_is_passed_over(examples: Path, heard: Path) -> None:
    done = strikewatch("sources", "try", "opc", heard, "--sources", examples, width=150)
    assert "HB-04" in done.stdout
    assert "passed over: name Quarry.Crusher.Amps (1)" in done.stdout
    assert done.returncode == 0
    done = strikewatch("sources", "try", "telem", heard, "--sources", examples, "--json")
    assert done.returncode == 1  # something is rejected
    first, *others = map(json.loads, done.stdout.splitlines())
    assert first["rows"] == [
        {
            "time": "2026-03-04T07:15:00.100000Z",
            "site": "fennick-hollow",
            "hammer": "HB-01",
            "active": True,
            "pressure_bar": 142.5,
            "oil_c": 61.2,
        }
    ]
    assert [reject["reason"] for each in others for reject in each["rejects"]] == [
        "time_out_of_range",
        "unknown_word",
        "nothing",
    ]


def test_try_names_the_path_or_name_that_was_probably_meant(tmp_path: Path) -> None:
    tables, payloads = tmp_path / "sources.toml", tmp_path / "payloads.txt"
    tables.write_text(TELEM)
    payloads.write_text(
        '{"t":1772608500,"hyd":{"press":14250,"oil":61}}\n{"t":1772608501,"hyd":{"press":14251}}\n'
    )
    topic = "v1/fennick-hollow/HB-01/telem"
    done = strikewatch("sources", "try", "telem", payloads, "--topic", topic, "--sources", tables, width=150)
    assert "pressure_bar: no value at @.hyd.pres; did you mean @.hyd.press?" in done.stdout
    tables.write_text(
        'tag = { topic = "p/{hammer}/{tag}", payload = "text", time = "arrival", site = "s", name = "{tag}", '
        'channels = { oil_c = { named = "T-OIL" }, pressure_bar = { named = "P" } } }'
    )
    payloads.write_text("p/HB-01/T_OIL 61.5\np/HB-01/P 140\n")
    done = strikewatch("sources", "try", "tag", payloads, "--sources", tables, width=150)
    assert 'oil_c: no value named "T-OIL"; did you mean "T_OIL"?' in done.stdout


def test_try_needs_a_topic_and_says_which(examples: Path, tmp_path: Path) -> None:
    payload = tmp_path / "burst.hex"
    payload.write_text(msgpack.packb({"t0": 1772608500000000, "fs": 500, "p": [1411, 1420]}).hex())
    done = strikewatch("sources", "try", "fast", payload, "--sources", examples)
    assert done.returncode == 2
    assert "--topic" in done.stderr
    done = strikewatch(
        "sources",
        "try",
        "fast",
        payload,
        "--sources",
        examples,
        "--topic",
        "daq/fennick-hollow/HB-06/burst",
        "--json",
    )
    assert [row["pressure_bar"] for row in json.loads(done.stdout)["rows"]] == pytest.approx([141.1, 142.0])


def test_foreign_text_is_printed_without_control_characters(tmp_path: Path) -> None:
    tables, captured = tmp_path / "sources.toml", tmp_path / "captured.jsonl"
    tables.write_text(
        TELEM.replace(
            "[telem.channels]", 'name = "@.n"\nvalue = "@.v"\n[telem.channels]\nactive = { named = "a" }'
        )
    )
    payload = json.dumps({"t": 1772608500, "n": "\x1b[2Jname", "v": 1})
    captured.write_text(json.dumps({"topic": "v1/fennick-hollow/HB-01/telem", "payload": payload}))
    for words in (["try", "telem", captured], ["propose", "--from", captured]):
        options = ["--sources", tables] if words[0] == "try" else []
        done = strikewatch("sources", *words, *options)
        assert "\x1b" not in done.stdout.replace("\x1b[1m", "").replace("\x1b[0m", "")
        assert "[2J" in done.stdout


def test_what_is_proposed_of_the_examples_is_valid_and_reads_them(heard: Path, tmp_path: Path) -> None:
    done = strikewatch("sources", "propose", "--from", heard, "--site", "fennick-hollow")
    tables, problems = check_tables(tomllib.loads(done.stdout))
    assert not problems
    assert tables["groups"].record_path == "$.values[*]"
    assert tables["groups"].channels["pressure_bar"].named == "Quarry.{hammer}.Hyd.Pressure"
    assert tables["telemetry"].packed == "gzip"
    assert tables["burst"].payload == "msgpack"
    assert tables["burst"].step is not None
    path = tmp_path / "proposed.toml"
    path.write_text(done.stdout)
    tried = strikewatch("sources", "try", "groups", heard, "--sources", path, "--json")
    assert {row["hammer"] for row in json.loads(tried.stdout)["rows"]} == {"HB-01", "HB-04"}


@pytest.mark.usefixtures("examples")
def test_listen_takes_nothing_from_the_processor_and_shows_every_topic(
    tmp_path: Path,
) -> None:
    """The processor's kept session still gets all messages, though they were heard."""
    with Broker(tmp_path) as broker:
        settings = tmp_path / "strikewatch.toml"
        settings.write_text(
            f'sources_file = "sources.toml"\n[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\nversion = "3.1.1"\n'
        )
        session = {"client_id": "processor", "clean_session": False}
        with listening(broker, **session):
            pass
        stop = threading.Event()
        topics = ("scada/opc/groups/7", "v1/fennick-hollow/HB-01/telem")
        chosen = [each for each in MESSAGES if each[0] in topics][:2]

        def publish() -> None:
            while not stop.wait(0.05):
                for topic, payload in chosen:
                    gateway.publish(topic, payload, 1)
                gateway.publish("yard/gate", "open", 1)

        publisher = threading.Thread(target=publish)
        with connected(broker) as gateway:
            publisher.start()
            try:
                heard = tmp_path / "heard.jsonl"
                words = ("listen", "--seconds", "1", "--config", settings, "--to", heard)
                done = strikewatch("sources", *words, "--json")
            finally:
                stop.set()
                publisher.join()
        with listening(broker, **session) as kept:
            until(lambda: {"yard/gate", chosen[0][0]} <= {message.topic for message in kept})
    found = {each["topic"]: each for each in map(json.loads, done.stdout.splitlines())}
    assert found["yard/gate"]["sources"] == []
    assert found[chosen[0][0]]["values"] > 0
    assert found[chosen[0][0]]["row"]["hammer"] == "HB-01"
    assert len(heard.read_text().splitlines()) >= 3
    proposed = strikewatch("sources", "propose", "--from", heard)
    assert proposed.returncode == 0


def test_listen_says_why_it_cannot(tmp_path: Path) -> None:
    settings = tmp_path / "strikewatch.toml"
    settings.write_text("[mqtt]\nport = 9\n")
    done = strikewatch("sources", "listen", "--config", settings, "--seconds", "1")
    assert done.returncode == 1
    assert "cannot be reached" in done.stderr


def test_piped_output_is_not_padded(examples: Path, heard: Path) -> None:
    done = strikewatch_process("sources", "try", "telem", heard, "--sources", examples)
    assert max(map(len, done.stdout.splitlines())) < 200
