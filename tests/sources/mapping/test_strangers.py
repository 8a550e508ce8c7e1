"""More invented gateways, unlike the shipped examples: what is proposed of them, and what their tables give."""

import struct
import tomllib
from typing import Any

import msgpack
import pytest

from strikewatch.core import instant
from strikewatch.sources.mapping import check_tables
from strikewatch.sources.mapping.authoring.propose import propose
from strikewatch.sources.mapping.authoring.trial import Captured, Trials
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


ROOT = 'site = "fennick-hollow"\nhammers = { A = "HB-01", B = "HB-02" }\n'
LOCAL_2000 = 825_927_300  # 2026-03-04 08:15:00 on the clock of Vienna, seconds since 2000 there
INDEFINITE = (
    b"\xbf\x62ts\xfb" + struct.pack(">d", 1772608500.25) + b"\x62ch\xbf\x63hyd\xfb" + struct.pack(">d", 142.5)
)
Given = list[tuple[str, str | bytes]]
Expected = tuple[list[tuple[str, str, dict[str, Any]]], list[str]]
MAPPED: dict[str, tuple[str, Given, Expected]] = {
    # table; topics and payloads; (hammer, time of day UTC, values) of each row, and the reasons of all rejects
    "tag, value and quality in arrays; seconds since 2000 of a local clock": (
        f"""
[plc]
topic = "plc/out"
records = "$.data[*]"
where = {{ "@[2]" = 192 }}
time = {{ at = "$.clk", as = "s", since = "2000-01-01T00:00:00", zone = "Europe/Vienna" }}
name = "@[0]"
value = "@[1]"
{ROOT}[plc.channels]
pressure_bar = {{ named = "{{hammer}}.P", unit = "kPa" }}
oil_c = {{ named = "{{hammer}}.T", scale = 0.1, missing = ["Bad"] }}
active = {{ named = "{{hammer}}.RUN" }}
""",
        [
            (
                "plc/out",
                f'{{"clk":{LOCAL_2000},"data":[["A.P",14250,192],["A.RUN",1,192],["B.P",9,0],["B.RUN",0,192]]}}',
            ),
            ("plc/out", f'{{"clk":{LOCAL_2000 + 1},"data":[["A.T","Bad",192],["A.P","x",192]]}}'),
            # in summer the local clock is two hours ahead
            ("plc/out", f'{{"clk":{LOCAL_2000 - 246 * 86_400},"data":[["A.T",612,192]]}}'),
        ],
        (
            [
                ("HB-01", "07:15:00", {"pressure_bar": 142.5, "active": True}),
                ("HB-02", "07:15:00", {"active": False}),
                ("HB-01", "07:15:01", {"oil_c": None}),
                ("HB-01", "06:15:00", {"oil_c": 61.2}),
            ],
            ["bad_value"],
        ),
    ),
    "registers as hexadecimal texts": (
        f"""
[regs]
topic = "mb/{{hammer}}"
time = {{ at = "@.ts", as = "iso" }}
{ROOT}[regs.channels]
pressure_bar = {{ at = "@.regs[0]", scale = 0.1 }}
oil_c = {{ at = "@.regs[1]", scale = 0.1, missing = ["0xFFFF"] }}
active = {{ at = "@.regs[2]", bit = 3 }}
grease_flow = "@.regs[3]"
""",
        [
            ("mb/A", '{"ts":"2026-03-04T08:15:00+0100","regs":["0x0591","0xffff","0x0008","0x0001"]}'),
            ("mb/A", '{"ts":"2026-03-04T08:15:01+0100","regs":["059h","0x0264","0x0007","0x0000"]}'),
        ],
        (
            [
                (
                    "HB-01",
                    "07:15:00",
                    {"pressure_bar": 142.5, "oil_c": None, "active": True, "grease_flow": True},
                ),
                ("HB-01", "07:15:01", {"oil_c": 61.2, "active": False, "grease_flow": False}),
            ],
            ["bad_value"],
        ),
    ),
    "lines of JSON of several hammers, one of them cut off": (
        f"""
[lines]
topic = "fleet"
payload = "jsonl"
time = {{ at = "@.t", as = "ms" }}
hammer = "@.m"
{ROOT}[lines.channels]
pressure_bar = "@.p"
active = {{ at = "@.run", hold_s = 600 }}
""",
        [
            (
                "fleet",
                '{"m":"A","t":1772608500100,"p":142.5}\n{"m":"B","t":1772608500000,"run":false}\r\n\n'
                '{"m":"A","t":1772608500000,"p":141.5,"run":true}\n{"m":"A","t":17726',
            ),
            ("fleet", "{\n"),
        ],
        (
            [
                ("HB-01", "07:15:00", {"pressure_bar": 141.5, "active": True}),
                ("HB-01", "07:15:00.100", {"pressure_bar": 142.5}),
                ("HB-02", "07:15:00", {"active": False}),
            ],
            ["not_json", "not_json"],
        ),
    ),
    "offsets from a first time that is written in another way, in records": (
        f"""
[offsets]
topic = "d"
records = "$.rows[*]"
time = {{ at = "@.dt", as = "ms", since = {{ at = "$.t0", as = "%d.%m.%Y %H:%M", zone = "Europe/Vienna" }} }}
hammer = "$.m"
{ROOT}[offsets.channels]
pressure_bar = "@.p"
""",
        [
            (
                "d",
                '{"m":"A","t0":"04.03.2026 08:15","rows":[{"dt":250,"p":2},{"dt":-100,"p":1},{"dt":"?","p":3}]}',
            ),
            ("d", '{"m":"A","rows":[{"dt":0,"p":4}]}'),
        ],
        (
            [
                ("HB-01", "07:14:59.900", {"pressure_bar": 1.0}),
                ("HB-01", "07:15:00.250", {"pressure_bar": 2.0}),
            ],
            ["bad_time", "missing"],
        ),
    ),
    "an array of offsets": (
        f"""
[block]
topic = "d"
time = {{ at = "@.dt", as = "ms", since = "@.t0" }}
hammer = "@.m"
{ROOT}[block.channels]
pressure_bar = "@.p"
""",
        [("d", '{"m":"B","t0":1772608500000,"dt":[0,1.5,250],"p":[1,null,3]}')],
        (
            [
                ("HB-02", "07:15:00", {"pressure_bar": 1.0}),
                ("HB-02", "07:15:00.001500", {}),
                ("HB-02", "07:15:00.250", {"pressure_bar": 3.0}),
            ],
            [],
        ),
    ),
    "MessagePack with short keys and a list of lists": (
        """
[packed]
topic = "x"
payload = "msgpack"
records = "$.r[*]"
time = { at = "@[0]", as = "ms" }
hammer = "$.d"
site = "fennick-hollow"
hammers = { 7 = "HB-05" }
[packed.channels]
pressure_bar = "@[1]"
oil_c = { at = "@[2]", missing = [-999] }
active = "@[3]"
""",
        [
            (
                "x",
                msgpack.packb(
                    {"d": 7, "r": [[1772608500100, 12, -999, False], [1772608500000, 142.5, 61, True]]}
                ),
            )
        ],
        (
            [
                ("HB-05", "07:15:00", {"pressure_bar": 142.5, "oil_c": 61.0, "active": True}),
                ("HB-05", "07:15:00.100", {"pressure_bar": 12.0, "oil_c": None, "active": False}),
            ],
            [],
        ),
    ),
    "a text of three values with decimal commas, without a time": (
        f"""
[text]
topic = "cab/{{hammer}}/now"
payload = "csv"
delimiter = ";"
decimal = ","
time = "arrival"
{ROOT}[text.channels]
active = "@[0]"
pressure_bar = "@[1]"
oil_c = {{ at = "@[2]", missing = ["--"] }}
""",
        [("cab/A/now", "ON;142,5;61"), ("cab/A/now", "OFF;18,0;--"), ("cab/B/now", "ON;1.142,5;61")],
        (
            [
                ("HB-01", "07:15:30", {"active": True, "pressure_bar": 142.5, "oil_c": 61.0}),
                ("HB-01", "07:15:30", {"active": False, "pressure_bar": 18.0, "oil_c": None}),
                ("HB-02", "07:15:30", {"active": True, "oil_c": 61.0}),
            ],
            ["bad_value"],
        ),
    ),
    "CBOR with maps of indefinite length": (
        f"""
[cb]
topic = "c/{{hammer}}"
payload = "cbor"
time = {{ at = "$.ts", as = "s" }}
{ROOT}[cb.channels]
pressure_bar = "@.ch.hyd"
""",
        [("c/A", INDEFINITE + b"\xff\xff"), ("c/A", INDEFINITE + b"\xff")],
        ([("HB-01", "07:15:00.250", {"pressure_bar": 142.5})], ["not_cbor"]),
    ),
    "CSV with a line of units below the heading": (
        f"""
[csv]
topic = "csv/{{hammer}}"
payload = "csv"
header = true
skip = 1
skip_after = 1
time = {{ at = "@.when", as = "iso" }}
{ROOT}[csv.channels]
pressure_bar = "@['Hyd P']"
""",
        [("csv/A", "unit 7\nwhen,Hyd P\n[UTC],[bar]\n2026-03-04T07:15:00Z,142.5\n")],
        ([("HB-01", "07:15:00", {"pressure_bar": 142.5})], []),
    ),
}


@pytest.mark.parametrize("case", MAPPED)
def test_a_table_written_from_the_guide_gives_every_value_and_names_every_reject(case: str) -> None:
    text, given, (rows, rejects) = MAPPED[case]
    tables, problems = check_tables(tomllib.loads(text))
    assert not problems
    trials = Trials(tables)
    taken = [
        trials.take(Captured(topic, payload.encode() if isinstance(payload, str) else payload, NOW))
        for topic, payload in given
    ]
    found = [(key[1], at % (86_400 * 10**9), values) for each in taken for key, at, values in each.rows()]
    expected = [(name, instant.parse(f"1970-01-01T{clock}Z"), values) for name, clock, values in rows]
    assert [each[:2] for each in found] == [each[:2] for each in expected]
    for own, wanted in zip(found, expected, strict=True):
        there = {name: value for name, value in own[2].items() if value is not None}
        assert there == pytest.approx({name: value for name, value in wanted[2].items() if value is not None})
    assert sorted(one.error.reason for each in taken for one in each.mapped.rejects) == sorted(rejects)


@pytest.mark.parametrize(
    ("time", "place", "remedy"),
    [
        ('{ at = "@.t", as = "s", zone = "Europe/Vienna" }', "x.time.zone", "1970-01-01T00:00:00"),
        ('{ at = "@.t", as = "s", since = "2000-01-01T00:00:00" }', "x.time.since", "`zone`"),
        ('{ at = "@.t", as = "s", since = "2000" }', "x.time.since", "2000-01-01T00:00:00Z"),
        ('{ at = "@.t", as = "s", since = "^.t0" }', "x.time.since", "goes 1 up"),
        ('{ at = "@.t", as = "s", since = { as = "ms" } }', "x.time.since.at", "is missing"),
        ('{ at = "@.t", as = "s", since = { at = "@.b", as = "%H:%M" } }', "x.time.since.zone", "pattern"),
        ('{ at = "@.t", as = "iso", since = "@.b" }', "x.time.since", "belongs to a count"),
    ],
)
def test_a_mistake_in_the_beginning_of_a_count_has_its_place_and_remedy(
    time: str, place: str, remedy: str
) -> None:
    table = f'[x]\ntopic = "x"\ntime = {time}\nsite = "s"\nhammer = "h"\n[x.channels]\noil_c = "@.o"\n'
    [(found, what)] = check_tables(tomllib.loads(table))[1]
    assert found == place
    assert remedy in what


def test_keys_of_messages_in_a_table_of_files_are_refused_not_ignored() -> None:
    table = (
        '[x]\nfile = "*.csv"\npayload = "table"\nrecords = "$.a[*]"\nstep_s = 1.0\ntime = { at = "@.t", since = "@.b", '
        'as = "s" }\nsite = "s"\nhammer = "h"\n[x.channels]\noil_c = "oil"\n'
    )
    found = dict(check_tables(tomllib.loads(table))[1])
    assert {"x.records", "x.step_s", "x.time.since", "x.channels.oil_c.at"} <= found.keys()
    assert 'named = "oil"' in found["x.channels.oil_c.at"]


def test_lines_of_json_are_proposed_as_such() -> None:
    lines = b'{"dev":"HB-01","ts":1772608500000,"oil_temp":61.2}\n{"dev":"HB-02","ts":1772608500100,"oil_temp":60}\n'
    message = Captured("fleet/lines", lines, NOW)
    tables, problems = check_tables(tomllib.loads(propose([message], "fennick-hollow")))
    assert not problems
    assert tables["lines"].payload == "jsonl"
    found = [(key[1], values) for key, _, values in Trials(tables).take(message).rows()]
    assert found == [("HB-01", {"oil_c": 61.2}), ("HB-02", {"oil_c": 60.0})]
