"""Every mistake in a file of sources is reported at once, with its place and what to write instead."""

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strikewatch.errors import SettingsError
from strikewatch.sources.mapping import Sources, SourceTable, check_tables, load_sources

TOPIC = 'topic = "a/{site}/{hammer}"\n'
GOOD = TOPIC + 'time = "arrival"\n'
CHANNEL = '[x.channels]\npressure_bar = "@.p"\n'
CASES: dict[str, tuple[str, str]] = {
    # text of the table → place, a part of the message
    GOOD + '[x.channels]\npressure_bar = "hyd.p"': ("channels.pressure_bar.at", "did you mean '@.hyd.p'?"),
    GOOD + '[x.channels]\noil_c = "@.oil-temp"': ("channels.oil_c.at", "in brackets: ['-temp']"),
    GOOD + "[x.channels]\noil_c = \"@.v[?@.id=='t'].v\"": ("channels.oil_c.at", "use `where`, or `name`"),
    GOOD + '[x.channels]\noil_c = "@..v"': ("channels.oil_c.at", "`..` is not supported"),
    GOOD + '[x.channels]\noil_c = "@.v[1:3]"': ("channels.oil_c.at", "slices are not supported"),
    GOOD + '[x.channels]\noil_c = "@.v[*]"': ("channels.oil_c.at", "belong in `records`"),
    GOOD + '[x.channels]\noil_c = "^.v"': ("channels.oil_c.at", "goes 1 up, but records has 0 [*]"),
    GOOD + '[x.channels]\npresure_bar = "@.p"': ("channels.presure_bar", "did you mean pressure_bar?"),
    GOOD + '[x.channels]\npressure_psi = "@.p"': (
        "channels.pressure_psi",
        "write pressure_bar with its unit",
    ),
    GOOD + '[x.channels]\npressure_bar = { at = "@.p", unit = "°F" }': (
        "channels.pressure_bar.unit",
        "bar, ",
    ),
    GOOD + '[x.channels]\npressure_bar = { at = "@.p", units = "psi" }': (
        "channels.pressure_bar.units",
        "is unknown; did you mean unit?",
    ),
    GOOD + 'packet = "gzip"\n' + CHANNEL: ("packet", "is unknown; did you mean packed?"),
    GOOD + 'payload = "jason"\n' + CHANNEL: ("payload", "did you mean json?"),
    GOOD + '[x.channels]\npressure_bar = { unit = "psi" }': ("channels.pressure_bar", "give one of `at`"),
    GOOD + '[x.channels]\npressure_bar = { at = "@.p", named = "P" }': (
        "channels.pressure_bar",
        "give one of",
    ),
    GOOD + '[x.channels]\nactive = { at = "@.a", scale = 2.0 }': ("channels.active.scale", "yes or no"),
    GOOD + '[x.channels]\noil_c = { at = "@.a", on = ["ON"] }': ("channels.oil_c.on", "which is a number"),
    GOOD + '[x.channels]\nactive = { at = "@.a", on = ["ON"] }': ("channels.active.off", "is missing"),
    GOOD + '[x.channels]\nactive = { at = "@.a", on = 1, off = 0, bit = 3 }': ("channels.active", "only one"),
    GOOD + '[x.channels]\nactive = { at = "@.a", hold_s = 1 }': ("channels.active.hold_s", "give 2 to"),
    GOOD + '[x.channels]\noil_c = { named = "T" }': ("channels.oil_c.named", "needs `name`"),
    GOOD + '[x.channels]\noil_c = { at = "@.t", from = [4, 20] }': ("channels.oil_c.to", "is missing"),
    GOOD + '[x.channels]\noil_c = { at = "@.t", from = [4, 4], to = [0, 9] }': (
        "channels.oil_c.from",
        "two different",
    ),
    GOOD + '[x.channels]\noil_c = { at = "@.t", scale = "0.1" }': (
        "channels.oil_c.scale",
        "must be a number",
    ),
    'topic = "a/{site}/x"\ntime = "arrival"\n' + CHANNEL: (
        "hammer",
        "(there: {site}); say where the hammer is",
    ),
    'topic = "a/{site}/{device}"\ntime = "arrival"\nhammer = "{devise}"\n' + CHANNEL: ("hammer", "{devise}"),
    'topic = "a/#/{hammer}"\nsite = "s"\ntime = "arrival"\n' + CHANNEL: (
        "topic",
        "# is allowed only at the end",
    ),
    'topic = "a+/{hammer}"\nsite = "s"\ntime = "arrival"\n' + CHANNEL: (
        "topic",
        "stand alone in their level",
    ),
    'topic = "{hammer}/{hammer}"\nsite = "s"\ntime = "arrival"\n' + CHANNEL: (
        "topic",
        "{hammer} occurs twice",
    ),
    'topic = "{Hammer}/x"\nsite = "s"\ntime = "arrival"\n' + CHANNEL: ("topic", "small letters"),
    'topic = "$share/g/{hammer}"\nsite = "s"\ntime = "arrival"\n' + CHANNEL: (
        "topic",
        "do not keep the order",
    ),
    TOPIC + CHANNEL: ("time", "is missing"),
    TOPIC + 'time = { at = "@.t", as = "unix" }\n' + CHANNEL: (
        "time.as",
        "'unix' is none of s, ms, us, ns, iso",
    ),
    TOPIC + 'time = { at = "@.t", as = "%d.%m.%Y" }\n' + CHANNEL: ("time.zone", "is missing; a pattern"),
    TOPIC + 'time = { at = "@.t", as = "%d.%m.%Q" }\n' + CHANNEL: (
        "time.as",
        "not a pattern that can be read",
    ),
    TOPIC + 'time = { at = "@.t", as = "iso", zone = "Europe/Wien" }\n' + CHANNEL: (
        "time.zone",
        "'Europe/Wien'",
    ),
    TOPIC + 'time = { at = "@.t", as = "ms", zone = "UTC" }\n' + CHANNEL: ("time.zone", "which is UTC"),
    TOPIC + 'time = { as = "ms" }\n' + CHANNEL: ("time.at", "is missing"),
    TOPIC + 'time = "now"\n' + CHANNEL: ("time", "'now' is neither \"arrival\""),
    GOOD + 'records = "@.v[*]"\n' + CHANNEL: ("records", "looked for from $"),
    GOOD + 'retained = "take"\n' + CHANNEL: ("retained", "without a time of its own"),
    GOOD + 'dbc = "x.dbc"\n' + CHANNEL: ("dbc", 'does not belong to payload = "json"'),
    GOOD + 'step_s = 0.1\nstep = { at = "@.dt" }\n' + CHANNEL: ("step_s", "keep one"),
    GOOD + 'value = "@.v"\n' + CHANNEL: ("value", "needs `name`"),
    GOOD + "every_s = 60\n" + CHANNEL: ("every_s", "belongs to a source with an event"),
    GOOD + 'hammers = { a = "HB 01" }\n' + CHANNEL: ("hammers", "'HB 01' is neither"),
    GOOD: ("", "has neither channels nor an event"),
    GOOD + '[x.event]\nevent = "badge"': ("event.event", "'badge' is none of sign_on"),
    GOOD + '[x.event]\noperator = "@.u"': ("event.event", "is missing"),
    GOOD + '[x.event]\nevent = { at = "@.w", words = { in = "signon" } }': (
        "event.event",
        "did you mean sign_on?",
    ),
    GOOD + '[x.event]\nevent = "sign_on"\noperater = "@.u"': ("event.operater", "did you mean operator?"),
    'file = "*.csv"\ntime = { at = "@.t" }\nsite = "s"\nhammer = "h"\n' + CHANNEL: (
        "payload",
        'must be "table"',
    ),
    TOPIC + 'file = "*.csv"\npayload = "table"\ntime = { at = "@.t" }\n' + CHANNEL: (
        "file",
        "one or the other",
    ),
}


@pytest.mark.parametrize("text", CASES)
def test_each_mistake_names_its_place_and_the_remedy(text: str) -> None:
    place, message = CASES[text]
    tables, problems = check_tables(tomllib.loads("[x]\n" + text), "sources.toml")
    assert not tables
    assert [at for at, _ in problems] == [f"sources.toml: x.{place}" if place else "sources.toml: x"]
    assert message in problems[0][1]


def test_all_mistakes_of_all_sources_are_reported_at_once(tmp_path: Path) -> None:
    """Mistakes of one field and of several together do not hide each other."""
    path = tmp_path / "sources.toml"
    path.write_text(
        '[a]\ntopic = "a/#/b"\npacket = "gzip"\nzone = 3\n'
        '[a.channels]\nactive = { at = "act", unit = "bar" }\npresure_bar = "@.p"\n'
        '[b]\ntopic = "b/{hammer}"\ntime = { at = "@.t", as = "unix" }\nevery_s = 3.0\n[b.channels]\noil_c = "@.o"\n'
    )
    with pytest.raises(SettingsError) as caught:
        load_sources(path)
    places = sorted(place.removeprefix(f"{path}: ") for place, _ in caught.value.problems)
    assert places == [
        "a.channels.active.at",
        "a.channels.active.unit",
        "a.channels.presure_bar",
        "a.packet",
        "a.time",
        "a.topic",
        "a.zone",
        "b.every_s",
        "b.site",
        "b.time.as",
    ]


def test_a_file_that_is_missing_or_no_toml_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be read"):
        load_sources(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_text("[a]\n[a]\n")
    with pytest.raises(SettingsError, match="is not TOML"):
        load_sources(tmp_path / "bad.toml")


@pytest.mark.parametrize(
    ("text", "places"),
    [
        (GOOD + 'step = { as = "s" }\n' + CHANNEL, ["step.at"]),
        (GOOD + "[x.channels]\nint = 3\nactive = { at = 3 }", ["channels.int", "channels.active.at"]),
        (GOOD + "[x.event]\nevent = { words = { in = [1] } }", ["event.event.words.in"]),
        ("topic = 3\ntime = [1]\nhammers = [1]\n" + CHANNEL, ["topic", "time", "hammers"]),
        (
            GOOD + "[x.channels]\nactive = { is = [1], on = { a = 1 } }",
            ["channels.active.is", "channels.active.on"],
        ),
        (GOOD + "where = { x = 1 }\n" + CHANNEL, ["where"]),
        (GOOD + "channels = 3", ["channels"]),
    ],
)
def test_values_of_a_wrong_type_are_each_reported_once(text: str, places: list[str]) -> None:
    _, problems = check_tables(tomllib.loads("[x]\n" + text))
    assert sorted(place for place, _ in problems) == sorted(f"x.{place}" for place in places)


def test_a_source_that_is_no_table_is_a_mistake() -> None:
    assert check_tables({"x": 3}) == ({}, [("x", "must be a table, one for each source")])


ANYTHING = st.recursive(
    st.none().map(lambda _: "@.a")
    | st.booleans()
    | st.integers(-5, 5)
    | st.sampled_from(["", "$", "{x}", "a", "^.b"]),
    lambda inner: (
        st.lists(inner, max_size=2)
        | st.dictionaries(
            st.sampled_from(["at", "as", "is", "on", "unit", "active", "oil_c", "event", "x"]),
            inner,
            max_size=3,
        )
    ),
    max_leaves=6,
)


@given(st.dictionaries(st.sampled_from([*SourceTable.model_fields, "x"]), ANYTHING, max_size=8))
def test_any_table_is_checked_and_each_problem_has_a_text(table: dict[str, Any]) -> None:
    tables, problems = check_tables({"x": table})
    assert bool(tables) != bool(problems)
    assert all(place.startswith("x") and what for place, what in problems)
    Sources(tables)
