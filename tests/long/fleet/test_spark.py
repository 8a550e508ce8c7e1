"""A fleet on Apache Spark (`local[2]`): its tables and rates are those of one process.

Needs `pip install -e '.[spark]'` and Java 17: `python -m pytest tests/long/fleet`.
"""

import json
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from pyspark.sql import functions

import strikewatch
from strikewatch.errors import InputError
from strikewatch.fleet.rates import rates
from strikewatch.fleet.replay import replay_fleet
from strikewatch.fleet.spark import table, workers
from strikewatch.fleet.table_source import replay_table, save_recordings
from strikewatch.review import rates as review_rates
from strikewatch.review.data.attribution import from_replay
from strikewatch.review.data.tables import Feeds
from strikewatch.service.recorded.recordings import Recordings
from strikewatch.settings.tree import load
from tests.fleet.fleet import SHIFTS, held, whole

if TYPE_CHECKING:
    from pyspark.sql import SparkSession

pytestmark = [
    pytest.mark.filterwarnings("default::ResourceWarning"),
    pytest.mark.filterwarnings("ignore:PySpark does not yet fully support pandas:FutureWarning"),
]


@pytest.fixture(scope="module")
def fleet(spark: "SparkSession", tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All shifts, in two runs."""
    folder = tmp_path_factory.mktemp("fleet") / "fleet"
    replay_fleet([SHIFTS / "hot-bench", SHIFTS / "hired-out"], folder, load(), workers=workers(spark))
    replay_fleet([SHIFTS], folder, load(), workers=workers(spark))
    return folder


def test_the_tables_hold_what_a_replay_finds(fleet: Path) -> None:
    assert held(fleet) == whole(SHIFTS)


def test_tables_are_data_frames(spark: "SparkSession", fleet: Path) -> None:
    alerts = table(spark, fleet, "alerts")
    found = {row["record"] for row in alerts.select("record").collect()}
    assert found == set(held(fleet)["alerts"])
    assert dict(alerts.dtypes)["onset"] == "timestamp"


def test_rates_by_hammer_and_site_are_those_of_the_review(spark: "SparkSession", fleet: Path) -> None:
    recordings = Recordings([SHIFTS], load(), allow_loss=100.0)
    result = recordings.replay(recordings.open())
    exposure, faults = from_replay(result.records, result.stretches(), result.steps, result.end)
    feeds = Feeds.of(result.silent, result.uncertain)
    for by in (["site", "hammer"], ["site"]):
        expected = review_rates.groups(exposure, faults, by, feeds=feeds)
        expected = expected.sort_values([*by, "fault"], ignore_index=True)
        found = pd.DataFrame([row.asDict() for row in rates(spark, fleet, by).collect()])
        columns = [*by, "fault", "over", "count", "seconds", "hours", "rate", "lower", "upper"]
        pd.testing.assert_frame_equal(
            found[columns].convert_dtypes(), expected[columns].convert_dtypes(), check_dtype=False, rtol=1e-12
        )


def test_rates_by_attributes_of_hammers_add_up(spark: "SparkSession", fleet: Path) -> None:
    models = spark.createDataFrame(
        [("fennick-hollow", f"HB-0{k}", "north", "one" if k < 3 else "two") for k in range(1, 7)],
        "site string, hammer string, region string, model string",
    )
    by_model = pd.DataFrame(rates(spark, fleet, ["region", "model"], models).collect())
    by_site = pd.DataFrame(rates(spark, fleet).collect())
    assert len(by_model) > len(by_site)
    assert by_model[4].sum() == by_site[3].sum() > 0
    with pytest.raises(InputError, match="there are: site, hammer, region, model"):
        rates(spark, fleet, ["colour"], models)


def test_a_table_in_any_order_gives_what_its_recordings_give(spark: "SparkSession", tmp_path: Path) -> None:
    """Two shifts with events, cut at a time into two tables; the second one continues from the first."""
    paths = [SHIFTS / "hot-bench", SHIFTS / "hired-out"]
    frames: list[pd.DataFrame] = []
    records: list[str] = []
    for path in paths:
        shift = strikewatch.load_shift(path)
        frames.append(
            shift.samples.assign(time_ns=shift.samples["time"].astype("int64")).drop(columns="time")
        )
        records += (path / "events.jsonl").read_text("utf-8").splitlines()
    samples = pd.concat(frames, ignore_index=True).astype({"site": str, "hammer": str})
    sites = {hammer: site for site, hammer in samples[["site", "hammer"]].drop_duplicates().to_numpy()}
    samples.sample(frac=1.0, random_state=1).to_parquet(tmp_path / "samples.parquet", row_group_size=50_000)
    table_ = spark.read.parquet(str(tmp_path / "samples.parquet"))
    events = spark.createDataFrame(
        [(sites[hammer := json.loads(line)["hammer"]], hammer, line) for line in records],
        "site string, hammer string, record string",
    )
    cut = int(samples["time_ns"].quantile(0.6))
    recordings, fleet = tmp_path / "recordings", tmp_path / "fleet"
    replay_table(table_.where(f"time_ns < {cut}"), recordings, fleet, load(), events=events)
    done = replay_table(table_.where(f"time_ns >= {cut}"), recordings, fleet, load())
    assert 0 < done.rows < len(samples)
    replay_fleet(paths, tmp_path / "expected", load(), own_settings=False)
    assert held(fleet) == held(tmp_path / "expected")
    assert len(held(fleet)["alerts"]) > 10


def test_rows_and_columns_that_a_table_lacks_are_named(spark: "SparkSession", tmp_path: Path) -> None:
    good = spark.createDataFrame(
        [("s", "HB-01", 1, 60.0)], "site string, hammer string, time_ns long, oil_c double"
    )
    for bad, named in (
        (good.drop("site"), "column `site` is missing"),
        (good.drop("time_ns"), "column `time_ns` is missing"),
        (good.drop("oil_c"), "no column is a channel"),
        (
            good.withColumn("hammer", functions.lit(None).cast("string")),
            "1 rows have no site, hammer or time",
        ),
    ):
        with pytest.raises(InputError, match=named):
            save_recordings(bad, tmp_path / "recordings")
    events = spark.createDataFrame([("s", "HB-01", "{")], "site string, hammer string, record string")
    with pytest.raises(InputError, match=r"1 rows .* not JSON objects"):
        save_recordings(good, tmp_path / "recordings", events)
    assert not list((tmp_path / "recordings").rglob("samples.parquet"))  # nothing is saved
    odd = good.withColumn("hammer", functions.lit("../HB 1"))
    assert save_recordings(odd, tmp_path / "recordings") == 1
    (saved,) = (tmp_path / "recordings").rglob("samples.parquet")
    assert saved.relative_to(tmp_path / "recordings").parts[1] == "%2E.%2FHB 1"


def test_an_error_in_a_task_reaches_the_caller_with_its_message(spark: "SparkSession") -> None:
    def refuse(_item: int) -> None:
        raise InputError("row group 3 is damaged; record it again")

    with pytest.raises(InputError, match="record it again"):
        workers(spark).run(refuse, [1])
