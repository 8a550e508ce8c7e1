"""Sparkplug metrics through the mapping: aliases, two's complement, null, death and the requests of births."""

import numpy as np
import pytest

from strikewatch.core.instant import SECOND
from strikewatch.sources.hold import NO_VALUE
from strikewatch.sources.mapping import PassedOver, Sources, check_tables
from tests.sources.mapping.examples import example_tables
from tests.sources.sparkplug import BOOLEAN, FLOAT, INT32, T0_MS, UINT64, metric, payload

T0 = T0_MS * 1_000_000
NOW = T0 + SECOND
NODE = "spBv1.0/Fennick Hollow/{}/cab-2"
DEVICE = NODE + "/Breaker 2"
HB_02 = ("fennick-hollow", "HB-02")


@pytest.fixture
def sources() -> Sources:
    tables, problems = check_tables({"edge": example_tables()["edge"]})
    assert not problems
    return Sources(tables)


def birth(sources: Sources) -> None:
    node = payload([metric(0, UINT64, name="bdSeq")], seq=0)
    assert not sources.map(NODE.format("NBIRTH"), node, NOW).rejects
    metrics = [
        metric(False, BOOLEAN, name="Hammer/On", alias=1),
        metric(14250.0, FLOAT, name="Hyd/Supply kPa", alias=2),
        metric(-3, INT32, name="Hyd/Return", alias=3),
    ]
    found = sources.map(DEVICE.format("DBIRTH"), payload(metrics, seq=1), NOW)
    assert found.rows.keys() == {HB_02}
    assert found.rows[HB_02].columns["pressure_bar"].tolist() == [142.5]
    assert found.rows[HB_02].columns["active"].tolist() == [0.0]
    assert found.rows[HB_02].time_ns.tolist() == [T0]
    assert found.passed_over == {PassedOver("name", "Hyd/Return"): 1}


def test_the_subscription_is_that_of_the_group(sources: Sources) -> None:
    assert sources.filters == {"spBv1.0/Fennick Hollow/#": 1}
    machine = sources.machine(DEVICE.format("DDATA"), "strikewatch")
    assert machine == sources.machine(NODE.format("NDATA"), "strikewatch")
    assert machine != sources.machine("spBv1.0/Fennick Hollow/NDATA/cab-3", "strikewatch")


def test_aliases_name_the_metrics_of_the_birth(sources: Sources) -> None:
    birth(sources)
    data = payload([metric(True, BOOLEAN, alias=1, time_ms=T0_MS + 500)], seq=2)
    found = sources.map(DEVICE.format("DDATA"), data, NOW)
    assert found.rows[HB_02].columns["active"].tolist() == [1.0]
    assert found.rows[HB_02].columns["hold_s:active"].tolist() == [600.0]
    assert found.rows[HB_02].time_ns.tolist() == [T0 + SECOND // 2]


def test_a_death_ends_the_values(sources: Sources) -> None:
    birth(sources)
    death = payload([metric(0, UINT64, name="bdSeq")])
    found = sources.map(NODE.format("NDEATH"), death, NOW + 5 * SECOND)
    assert found.rows[HB_02].columns["active"].tolist() == [NO_VALUE]
    assert np.isposinf(found.rows[HB_02].columns["pressure_bar"]).all()


def test_an_alias_without_a_birth_asks_for_it_once(sources: Sources) -> None:
    """A metric of the node itself has no device, so it is passed over."""
    data = payload([metric(True, BOOLEAN, alias=1)], seq=7)
    found = sources.map(DEVICE.format("DDATA"), data, NOW)
    assert [each.error.reason for each in found.rejects] == ["no_birth"]
    assert [topic for topic, _ in found.requests] == [NODE.format("NCMD")]
    assert not sources.map(DEVICE.format("DDATA"), data, NOW + SECOND).requests
    node = payload([metric(3, INT32, name="Uptime")], seq=8)
    assert sources.map(NODE.format("NDATA"), node, NOW + SECOND).passed_over == {
        PassedOver("device", "cab-2"): 1
    }


def test_another_group_is_no_topic_of_the_source(sources: Sources) -> None:
    [reject] = sources.map("spBv1.0/Other/NDATA/x", b"", NOW).rejects
    assert reject.error.reason == "no_source"
