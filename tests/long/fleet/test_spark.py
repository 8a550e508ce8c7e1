"""A fleet on Apache Spark (`local[2]`): its tables and rates are those of one process.

Needs `pip install -e '.[spark]'` and Java 17: `python -m pytest tests/long/fleet`.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from strikewatch.errors import InputError
from strikewatch.fleet.rates import rates
from strikewatch.fleet.replay import replay_fleet
from strikewatch.fleet.spark import session, table, workers
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
def spark() -> "Iterator[SparkSession]":
    with session("local[2]", spark_driver_memory="512m") as spark:
        yield spark


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


def test_an_error_in_a_task_reaches_the_caller_with_its_message(spark: "SparkSession") -> None:
    def refuse(_item: int) -> None:
        raise InputError("row group 3 is damaged; record it again")

    with pytest.raises(InputError, match="record it again"):
        workers(spark).run(refuse, [1])
