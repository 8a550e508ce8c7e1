"""Five more invented gateways, unlike the shipped examples: what is proposed of them, and what their tables give."""

import tomllib
from typing import Any

import pytest

from strikewatch.core import instant
from strikewatch.sources.mapping import check_tables
from strikewatch.sources.mapping.propose import propose
from strikewatch.sources.mapping.trial import Captured, Trials
from tests.sources import sparkplug

NOW = instant.parse("2026-03-04T07:15:30Z")
TAGS = [
    ("plant/fh/EX-23/hyd/pressure", '{"val":"142,5","unit":"bar","tm":"1772608500100"}'),
    ("plant/fh/EX-23/hyd/oil-temp", '{"val":"61,2","unit":"C","tm":"1772608500100"}'),
    ("plant/fh/EX-23/hammer/state", '{"val":"Schlagen","unit":"","tm":"1772608500100"}'),
    ("plant/fh/EX-23/hammer/state", '{"val":"Ruhe","unit":"","tm":"1772608501100"}'),
]
LINES = [
    ("logger/7", "04.03.2026;08:15:00;HB-03;1;141.2;1790"),
    ("logger/7", "04.03.2026;08:15:01;HB-03;x;12.0;9999"),
]
COLUMNS = [
    (
        "edge/batch",
        '{"hdr":{"dev":"BRK-0007","ts0":1772608500},"cols":{"P1":[2060,null],"fire":[1,0],"T":[330.5,330.6]}}',
    )
]
PACK = [
    (
        "s/bn",
        '[{"bt":1772608500,"n":"active","vb":true},{"n":"pressure","u":"Pa","v":14200000},{"n":"oil","u":"Cel","v":61.2}]',
    )
]
FLEET = [
    (
        "fleet/status",
        '{"machines":[{"sn":"A1","clock":1772608500000,"lube":{"pct":64,"pump":"RUN"},"eng":{"n":1795}},'
        '{"sn":"B2","clock":1772608500000,"lube":{"pct":20,"pump":"STOP"},"eng":{"n":0}}]}',
    )
]
PSI = 14.503773773
CASES: list[tuple[list[tuple[str, str]], list[tuple[str, str]], list[dict[str, Any]]]] = [
    # messages; what is to be confirmed in the proposal, and how; the rows then
    (
        TAGS,
        [('hammer = "{device}"', 'hammer = "{device}"\nhammers = { EX-23 = "HB-03" }')],
        [{"pressure_bar": 142.5}, {"oil_c": 61.2}, {"active": True}, {"active": False}],
    ),
    (
        LINES,
        [
            ("#", ""),
            ('zone = "UTC"', 'zone = "Europe/Vienna"'),
            ("[logger.channels]", '[logger.channels]\nactive = "@[3]"\npressure_bar = "@[4]"'),
        ],
        [{"active": True, "pressure_bar": 141.2}, {"pressure_bar": 12.0}],
    ),
    (
        COLUMNS,
        [
            ("[batch.channels]", "step_s = 0.1\n[batch.channels]"),
            ('"@.cols.P1"', '{ at = "@.cols.P1", unit = "psi" }'),
            ('"@.cols.T"', '{ at = "@.cols.T", unit = "K" }'),
        ],
        [
            {"active": True, "pressure_bar": 2060 / PSI, "oil_c": 57.35},
            {"active": False, "pressure_bar": None, "oil_c": 57.45},
        ],
    ),
    (
        PACK,
        [('named = "pressure"', 'named = "pressure", unit = "Pa"')],
        [{"active": True, "pressure_bar": 142.0, "oil_c": 61.2}],
    ),
    (
        FLEET,
        [('"@.lube.pct"', '{ at = "@.lube.pct", unit = "%" }')],
        [
            {"engine_rpm": 1795.0, "grease_level": 0.64, "grease_flow": True},
            {"engine_rpm": 0.0, "grease_level": 0.2, "grease_flow": False},
        ],
    ),
]


@pytest.mark.parametrize(
    ("sent", "confirmed", "rows"), CASES, ids=["tags", "lines", "columns", "pack", "fleet"]
)
def test_a_proposal_gives_every_value_once_it_is_confirmed(
    sent: list[tuple[str, str]], confirmed: list[tuple[str, str]], rows: list[dict[str, Any]]
) -> None:
    messages = [Captured(topic, payload.encode(), NOW + k) for k, (topic, payload) in enumerate(sent)]
    text = propose(messages, "fennick-hollow")
    for proposed, meant in confirmed:
        assert proposed in text
        if proposed == "#":  # no channel was recognised: the table is commented out
            text = "\n".join(
                line[1:] if line[:1] == "#" and line[:2] != "# " else line for line in text.splitlines()
            )
        else:
            text = text.replace(proposed, meant)
    tables, problems = check_tables(tomllib.loads(text))
    assert not problems
    trials = Trials(tables)
    found = [values for message in messages for _, _, values in trials.take(message).rows()]
    assert len(found) == len(rows)
    for own, expected in zip(found, rows, strict=True):
        assert own == pytest.approx(expected)


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\xff\xfe",
        b"null",
        b"[]",
        b"{}",
        b"[[[]]]",
        b'{"":{"":[{}]}}',
        b"\x1b[2J",
        b"x" * 100,
        b"\x78\x9c",
    ],
)
@pytest.mark.parametrize("topic", ["", "/", "a//b", 'x/"\n\x1b/{y}', "spBv1.0/g/NBIRTH/n", "spBv1.0/", "+/#"])
def test_whatever_is_heard_the_proposal_is_toml_without_control_characters(
    topic: str, payload: bytes
) -> None:
    text = propose([Captured(topic, payload, NOW), Captured(topic, b'{"v":1,"x":[1,2]}', NOW)])
    assert all(char.isprintable() or char == "\n" for char in text)
    check_tables(tomllib.loads(text))


def test_of_sparkplug_the_devices_are_listed_not_the_nodes() -> None:
    metrics = {"Hammer/On": (True, sparkplug.BOOLEAN), "Hyd/Supply kPa": (14250.0, sparkplug.FLOAT)}
    sent = [
        ("NBIRTH/edge-1", sparkplug.birth({}, 0, bd_seq=0)),
        ("DBIRTH/edge-1/Rig 2", sparkplug.birth(metrics, 1)),
    ]
    messages = [
        Captured(f"spBv1.0/Fennick/{rest}", payload, NOW + k) for k, (rest, payload) in enumerate(sent)
    ]
    tables, problems = check_tables(tomllib.loads(propose(messages, "fennick-hollow")))
    assert not problems
    assert tables["fennick"].hammers == {"Rig 2": "HB-01"}
    trials = Trials(tables)
    found = [values for message in messages for _, _, values in trials.take(message).rows()]
    assert found == [{"active": True, "pressure_bar": 142.5}]
