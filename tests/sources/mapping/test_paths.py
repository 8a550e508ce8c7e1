"""Paths are RFC 9535 singular queries: the examples of its sections 2.3.1.3 and 2.3.3.3, and what it does not allow."""

import pytest

from strikewatch.sources.mapping.paths import MISSING, PathError, compile_path, parse, records_at, walk

NAMES = {"o": {"j j": {"k.k": 3}}, "'": {"@": 2}}
"""The document of RFC 9535, table 5."""


@pytest.mark.parametrize(
    ("path", "document", "found"),
    [
        ("$.o['j j']", NAMES, {"k.k": 3}),
        ("$.o['j j']['k.k']", NAMES, 3),
        ('$.o["j j"]["k.k"]', NAMES, 3),
        ('$["\'"]["@"]', NAMES, 2),
        ("$['\\'']['@']", NAMES, 2),
        ("$[1]", ["a", "b"], "b"),
        ("$[-2]", ["a", "b"], "a"),
        ("$[2]", ["a", "b"], MISSING),
        ("$[0]", {"0": 1}, MISSING),
        ("$['0']", ["a"], MISSING),
        ("$[0]", "text", MISSING),
        ("$.a.b", {"a": None}, MISSING),
        ("$.a", {"a": None}, None),
        ("$", 3, 3),
        ("$ .a\n[ 'b' ]", {"a": {"b": 1}}, 1),
        ("$['\\u263a']", {"☺": 1}, 1),
        ('$["\\ud83d\\ude00"]', {"😀": 1}, 1),
        ("$.ölc", {"ölc": 1}, 1),
        ("$[3]", {3: "by an integer key, as CBOR has them"}, "by an integer key, as CBOR has them"),
    ],
)
def test_a_path_finds_one_place(path: str, document: object, found: object) -> None:
    assert compile_path(path)((document,), document) == found
    assert walk(document, parse(path).steps) == found


@pytest.mark.parametrize(
    "path",
    [
        *("$.1a", "$[01]", "$[-0]", "$[1.0]", "$[9007199254740992]", "$['a", "$['\\x']", "$['a\tb']"),
        *("$[1:2]", "$[0,1]", "$..a", "$.*", "$[*]", "$[?@.a]", "$.a ", "a.b", "$['\\\"']", '$["\\\'"]'),
        "$." + "a" * 600,
    ],
)
def test_what_is_no_singular_query_is_refused(path: str) -> None:
    with pytest.raises(PathError):
        parse(path)


def test_records_give_their_words_and_what_they_lie_in() -> None:
    message = {"sites": {"a": [{"id": 1, "v": [5, 6]}, {"id": 2, "v": []}], "b": 3}}
    steps = parse("$.sites.{site}[*].v[*]", many=True).steps
    found = list(records_at(message, steps, {}, (message,)))
    assert [(words, record) for words, _, record in found] == [({"site": "a"}, 5), ({"site": "a"}, 6)]
    frame = found[0][1]
    assert compile_path("^.id")(frame, 5) == 1
    assert compile_path("^^[1].id")(frame, 5) == 2
    assert compile_path("$.sites.b")(frame, 5) == 3
