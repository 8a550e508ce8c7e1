"""The recorded shifts: they are reproducible, small, and contain what the guides describe."""

import json
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from strikewatch.demo.feed import PROBES
from strikewatch.demo.shifts import AS_CSV, SHIFTS, main, write

KEPT = Path(__file__).parents[2] / "replay_data"
MOST_BYTES = 2_000_000
INSTRUMENTED = ("full-bench", "wet-trench")


def labels(name: str) -> list[dict[str, Any]]:
    lines = (KEPT / name / "labels.jsonl").read_text("utf-8").splitlines()
    return [json.loads(line) for line in lines]


def samples(name: str) -> pd.DataFrame:
    if name in AS_CSV:
        frame = pd.read_csv(KEPT / name / "samples.csv")
        return frame.assign(time=pd.to_datetime(frame["time"], format="ISO8601"))
    return pd.read_parquet(KEPT / name / "samples.parquet")


@pytest.mark.parametrize("name", SHIFTS)
def test_writing_a_shift_reproduces_the_stored_one(name: str, tmp_path: Path) -> None:
    """Text files byte for byte; Parquet by value, since its bytes contain the version of the writer."""
    write(name, tmp_path)
    made = sorted(path.name for path in tmp_path.iterdir())
    assert len(made) == (4 if name in INSTRUMENTED else 3)
    for file in made:
        if file.endswith(".parquet"):
            pd.testing.assert_frame_equal(
                pd.read_parquet(tmp_path / file), pd.read_parquet(KEPT / name / file), check_exact=True
            )
        else:
            assert (tmp_path / file).read_bytes() == (KEPT / name / file).read_bytes(), file


def test_command_writes_all_shifts_and_rejects_other_arguments(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("strikewatch.demo.shifts.SHIFTS", {"quiet-bench": SHIFTS["quiet-bench"]})
    assert main([str(tmp_path)]) == 0
    assert [path.name for path in tmp_path.iterdir()] == ["quiet-bench"]
    assert main([]) == 2
    assert "usage" in capsys.readouterr().err


@pytest.mark.parametrize("name", SHIFTS)
def test_each_folder_is_small(name: str) -> None:
    assert sum(path.stat().st_size for path in (KEPT / name).iterdir()) < MOST_BYTES


@pytest.mark.parametrize("name", SHIFTS)
def test_labels_lie_within_the_shift_and_name_its_hammers(name: str) -> None:
    hammers = set(samples(name)["hammer"])
    turns = [label for label in labels(name) if label["truth"] == "at_controls"]
    first, last = min(label["from"] for label in turns), max(label["to"] for label in turns)
    for label in labels(name):
        assert first <= label["from"] < label["to"] <= last, label
        assert label["hammer"] in hammers


def long_blanks(name: str) -> Counter[tuple[str, str]]:
    blanks = (label for label in labels(name) if label["truth"] == "blank" and label["s"] >= 1.0)
    return Counter((label["operator"], label["kind"]) for label in blanks)


def test_hot_bench_contains_lingering_late_greasing_and_hot_oil() -> None:
    truths = Counter((label["truth"], label["hammer"]) for label in labels("hot-bench"))
    assert truths["linger", "HB-01"] > 20
    assert truths["linger", "HB-02"] == 0
    assert truths["grease_overdue", "HB-02"] == 1
    assert truths["grease_overdue", "HB-01"] == 0
    assert truths["hot", "HB-01"] >= 1
    assert truths["hot", "HB-02"] >= 1
    steps = samples("hot-bench").groupby("hammer", observed=True)["time"].diff().dt.total_seconds()
    assert steps.median() == 0.1


def test_hot_bench_oil_is_above_80_exactly_within_its_label() -> None:
    frame = samples("hot-bench").dropna(subset="oil_c")
    frame["hot"] = False
    for label in labels("hot-bench"):
        if label["truth"] == "hot":
            span = frame["time"].between(pd.Timestamp(label["from"]), pd.Timestamp(label["to"]))
            frame.loc[span & (frame["hammer"] == label["hammer"]), "hot"] = True
    clear = (frame["oil_c"] - 80.0).abs() > 0.35
    assert (frame["hot"] == (frame["oil_c"] > 80.0))[clear].all()
    assert frame["hot"].sum() > 20


def test_pad_handover_contains_both_kinds_of_blank_and_a_handover_in_hot_oil() -> None:
    blanks = long_blanks("pad-handover")
    assert blanks["op-14", "start"] > 5
    assert blanks["op-15", "end"] > 5
    labels_of_shift = labels("pad-handover")
    change = next(
        label["to"]
        for label in labels_of_shift
        if label["truth"] == "at_controls" and label["operator"] == "op-14"
    )
    hot = [label for label in labels_of_shift if label["truth"] == "hot" and label["hammer"] == "HB-03"]
    assert any(label["from"] < change < label["to"] and label["firing_s"] > 60.0 for label in hot)
    unsigned = [
        label for label in labels_of_shift if label["truth"] == "at_controls" and not label["signed_on"]
    ]
    assert [label["operator"] for label in unsigned] == ["op-18"]


def test_quiet_bench_contains_no_fault_but_similar_signals() -> None:
    truths = Counter(label["truth"] for label in labels("quiet-bench"))
    assert not truths.keys() & {"linger", "hot", "cold", "grease_overdue", "unchecked", "signal_lost"}
    assert not long_blanks("quiet-bench")
    assert truths["hard_stone"] > 5
    assert truths["throttled"] > 5


def test_trench_feed_contains_every_fault_of_a_feed() -> None:
    frame = samples("trench-feed")
    by_truth = {(label["hammer"], label["truth"]): label for label in labels("trench-feed")}
    fifth, sixth = (frame[frame["hammer"] == name] for name in ("HB-05", "HB-06"))
    assert fifth["active"].isna().all()
    assert sixth["active"].notna().all()
    assert fifth.duplicated(subset="time").sum() == by_truth["HB-05", "duplicates"]["rows"] == 600
    assert (fifth["oil_c"] == 215.0).sum() == 24
    lost = by_truth["HB-05", "signal_lost"]
    assert not fifth["time"].between(pd.Timestamp(lost["from"]), pd.Timestamp(lost["to"]), "left").any()
    assert (sixth["time"].dt.year == 2000).sum() == 90
    assert (np.diff(sixth["time"].astype("int64")) < 0).sum() > 20
    assert {label["truth"] for label in labels("trench-feed")} >= {
        "cold",
        "backlog",
        "wrong_clock",
        "out_of_range",
    }


def truths_of(name: str) -> Counter[str]:
    return Counter(label["truth"] for label in labels(name))


def test_full_bench_contains_each_misuse_above_ground_twice() -> None:
    truths = truths_of("full-bench")
    for truth in ("low_engine_speed", "over_side", "prying"):
        assert truths[truth] == 2, truth
    for truth in ("end_of_stroke", "off_square"):
        assert truths[truth] == 4, truth
    assert truths["feed_force"] >= 4, "and where the tool was struck blank for long"


def test_wet_trench_contains_water_grease_faults_and_a_missing_check() -> None:
    truths = truths_of("wet-trench")
    assert truths["submerged"] == 3
    assert truths["unchecked"] == truths["grease_low"] == truths["no_grease_flow"] == 1
    events = [
        json.loads(line) for line in (KEPT / "wet-trench" / "events.jsonl").read_text("utf-8").splitlines()
    ]
    kinds = Counter(event["event"] for event in events)
    assert kinds >= Counter({"hours": 4, "inspection": 1, "tool_change": 1, "check": 1, "sign_on": 2})


@pytest.mark.parametrize("name", INSTRUMENTED)
def test_instrumented_shifts_have_every_additional_channel(name: str) -> None:
    assert not samples(name)[[*PROBES]].isna().all().any()
