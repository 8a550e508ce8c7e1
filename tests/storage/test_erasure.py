"""An erased operator is found nowhere, and no count changes; an export shows exactly what an erasure changes."""

import json
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import URL, LargeBinary, Text

from strikewatch.cli.main import main
from strikewatch.core.alert import Alert, Change
from strikewatch.core.batch import Batch, Portion, Rows
from strikewatch.core.events import Event
from strikewatch.core.instant import SECOND
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.state import LAYOUT
from strikewatch.settings.faults import Faults
from strikewatch.storage.commit.step import Reject, StepRecord
from strikewatch.storage.commit.store import Store
from strikewatch.storage.privacy import PERSONAL_COLUMNS, erase, export_operator
from strikewatch.storage.recorder.recorder import Recorder
from strikewatch.storage.schema import tables
from strikewatch.storage.settings import RecorderSettings
from tests.storage.test_store import KEY, NOW, query

NAMES = ("op-14", "op-1", "op-140", "forgotten")
IMPERSONAL = {
    *(
        "site",
        "hammer",
        "tool",
        "not_judged",
        "id",
        "fault",
        "priority",
        "layout",
        "kind",
        "endpoint",
        "message",
        "alert_id",
        "step",
    ),
    *(
        "role",
        "digest",
        "state",
        "name",
        "url",
        "topic",
        "rows",
        "last_outcome",
        "outcome",
        "event",
        "from_state",
        "to_state",
    ),
    *("upto", "sent_as", "sent_priority", "counts", "story", "client_id", "sender", "sites"),
    *("filters", "source", "namespace", "group_id", "node_id", "births", "position", "stream"),
    *("public_key", "auth", "lowest"),
}
"""Text that never names a person."""


def of(name: str, k: int) -> list[Change]:
    onset = NOW + 1000 * k
    alert = Alert("same_spot", *KEY, name, "medium", onset, onset + 5)
    return [Change("raised", *KEY, alert.id, alert.record(), onset, onset + 5)]


def state(name: str) -> bytes:
    """Return a hammer's saved state with an operator signed on."""
    faults = Faults().by_detector()
    pipeline = Pipeline(lambda _key: faults)
    rows = Rows(np.array([NOW, NOW + SECOND]), {"active": np.array([1.0, 1.0])})
    on = Event(*KEY, "sign_on", NOW, {"operator": name}, applied=NOW)
    pipeline.commit(pipeline.step(Batch([Portion(KEY, rows, NOW + SECOND, (on,))])))
    return pipeline.saved(KEY)


def filled(where: Path | URL, recordings: Path) -> Store:
    store = Store(where, {"bench": "http://bench.test/"})
    recorder = Recorder(store, RecorderSettings(folder=recordings))
    for k, name in enumerate(NAMES):
        on = Event(*KEY, "sign_on", NOW + k, {"operator": name}, applied=NOW + k)
        note = Event(
            *KEY, "check", NOW + k, {"note": f"{name}. And {name}, said {name}", "result": "ok"}, applied=NOW
        )
        talk = Event(*KEY, "coached", NOW + k, {"operator": name, "fault": "same_spot"}, applied=NOW)
        reject = Reject("t", b'{"operator":"%s", "event"' % name.encode(), "bad_json", f"no end after {name}")
        step = StepRecord(
            NOW, events=[on, note, talk], applied=[on, note, talk], changes=of(name, k), rejects=[reject]
        )
        store.commit(step)
        if k == 1:
            recorder.flush(NOW)
    store.commit(StepRecord(NOW, states={KEY: state("op-14")}, layout=LAYOUT))
    return store


def everything(store: Store, recordings: Path) -> str:
    """Return everything stored, as text."""
    found: list[Any] = []
    for table in tables.metadata.sorted_tables:
        rows = query(store, f"select * from {table.name}")
        found.extend(str([bytes(v) if isinstance(v, memoryview) else v for v in row]) for row in rows)
    found += [path.read_text() for path in sorted(recordings.rglob("events.jsonl"))]
    return "\n".join(found)


def counts(store: Store) -> dict[str, Any]:
    return {
        table.name: query(store, f"select count(*) from {table.name}")
        for table in tables.metadata.sorted_tables
    }


def test_the_id_is_erased_everywhere_and_other_ids_and_counts_are_unchanged(
    where: Path | URL, tmp_path: Path
) -> None:
    recordings = tmp_path / "recordings"
    store = filled(where, recordings)
    before, counted = everything(store, recordings), counts(store)
    looked = erase(store, recordings, "op-14", apply=False)
    assert everything(store, recordings) == before
    changed = erase(store, recordings, "op-14", apply=True)
    assert changed == looked
    assert changed.keys() >= {"alerts", "events", "outbox", "rejects", "states", "spool", "recordings"} - {
        "spool"
    }
    after = everything(store, recordings)
    assert "op-14" not in after.replace("op-140", "")
    assert after.count("op-140") == before.count("op-140")
    assert counts(store) == counted
    by = Counter(dict(query(store, "select operator, count(*) from alerts group by operator")))
    assert by == {"forgotten": 2, "op-1": 1, "op-140": 1}
    records = [json.loads(record) for (record,) in query(store, "select record from alerts")]
    assert Counter(record["operator"] for record in records) == by
    assert erase(store, recordings, "op-14", apply=True) == {}
    assert everything(store, recordings) == after
    store.close()


def test_the_id_is_erased_from_saved_states_which_still_load(tmp_path: Path) -> None:
    store = filled(tmp_path / "watch.db", tmp_path / "recordings")
    erase(store, tmp_path / "recordings", "op-14", apply=True)
    layout, saved = store.load().states[KEY]
    store.close()
    faults = Faults().by_detector()
    pipeline = Pipeline(lambda _key: faults)
    assert pipeline.restore(KEY, layout, saved) == []
    rows = Rows(np.array([NOW + 2 * SECOND]), {"active": np.array([1.0])})
    outcome = pipeline.step(Batch([Portion(KEY, rows, NOW + 2 * SECOND)]))
    assert outcome.on_duty(KEY, NOW + SECOND) == "forgotten"


def test_no_trace_of_the_id_is_left_in_the_database_file(tmp_path: Path) -> None:
    """Neither in free pages nor in the write-ahead log."""
    store = filled(tmp_path / "watch.db", tmp_path / "recordings")
    erase(store, tmp_path / "recordings", "op-14", apply=True)
    for path in tmp_path.glob("watch.db*"):
        assert b"op-14" not in path.read_bytes().replace(b"op-140", b""), path
    store.close()


def test_a_hammer_named_like_the_operator_keeps_its_name(tmp_path: Path) -> None:
    store = Store(tmp_path / "watch.db")
    onset = NOW
    alert = Alert("same_spot", "pit", "op-14", "op-14", "medium", onset, onset + 5)
    store.commit(
        StepRecord(
            NOW, changes=[Change("raised", "pit", "op-14", alert.id, alert.record(), onset, onset + 5)]
        )
    )
    erase(store, tmp_path, "op-14", apply=True)
    ((record,),) = query(store, "select record from alerts")
    assert (json.loads(record)["hammer"], json.loads(record)["operator"]) == ("op-14", "forgotten")
    store.close()


def test_every_text_column_is_classified_as_personal_or_not() -> None:
    """A new column must be added to one of the two lists."""
    held = {
        f"{table.name}.{column.name}"
        for table in tables.metadata.sorted_tables
        for column in table.columns
        if isinstance(column.type, Text | LargeBinary) and column.name not in PERSONAL_COLUMNS | IMPERSONAL
    }
    assert held == set()


def test_the_erase_command_counts_first_and_erases_with_yes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(tmp_path / "watch.db", tmp_path / "recordings").close()
    config = tmp_path / "settings.toml"
    config.write_text(
        f'[store]\npath = "{tmp_path / "watch.db"}"\n[recording]\nfolder = "{tmp_path / "recordings"}"\n'
    )
    command = ["erase-operator", "op-14", "--config", str(config)]
    assert main(command) == 0
    assert "Nothing was changed: repeat with --yes" in capsys.readouterr().out
    assert main([*command, "--yes"]) == 0
    assert "op-14 is now 'forgotten'" in capsys.readouterr().out
    assert main([*command, "--yes"]) == 0
    assert "nor the recordings name op-14." in capsys.readouterr().out
    running = Store(tmp_path / "watch.db")
    assert main([*command, "--yes"]) == 1
    assert "in use by another strikewatch" in capsys.readouterr().err
    running.close()


def test_an_export_lists_exactly_the_places_that_an_erasure_changes(
    where: Path | URL, tmp_path: Path
) -> None:
    recordings = tmp_path / "recordings"
    with closing(filled(where, recordings)) as store:
        found = list(export_operator(store, recordings, "op-14"))
        others = {
            name: list(export_operator(store, recordings, name)) for name in ("op-1", "op-140", "op-99")
        }
        changed = erase(store, recordings, "op-14", apply=True)
        assert {where for where, _ in found} == set(changed)
        assert sum(where == "recordings" for where, _ in found) == changed["recordings"]
        assert sum(where == "spool" for where, _ in found) >= changed["spool"]
        assert list(export_operator(store, recordings, "op-14")) == []
        assert others["op-99"] == []
        for name, shown in others.items():
            assert list(export_operator(store, recordings, name)) == shown
    alerts = [row for where, row in found if where == "alerts"]
    assert all(row["operator"] == "op-14" for row in alerts)
    assert alerts[0]["onset"].endswith("Z")
    (on,) = [row["signed_on"] for where, row in found if where == "states"]
    assert len(on) == 1


def test_the_export_command_prints_json_lines_and_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(tmp_path / "watch.db", tmp_path / "recordings").close()
    capsys.readouterr()  # what the processor logs
    config = tmp_path / "settings.toml"
    config.write_text(
        f'[store]\npath = "{tmp_path / "watch.db"}"\n[recording]\nfolder = "{tmp_path / "recordings"}"\n'
    )
    assert main(["export-operator", "op-14", "--config", str(config)]) == 0
    out, err = capsys.readouterr()
    assert {json.loads(line)["kept_in"] for line in out.splitlines()} >= {"alerts", "events", "outbox"}
    assert "Stored about op-14: " in err
    assert main(["export-operator", "op-99", "--config", str(config)]) == 0
    assert capsys.readouterr().err.startswith("Stored about op-99: nothing")
