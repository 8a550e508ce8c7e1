"""Coaching notes: one for every operator fault; errors in a file name the place and the remedy."""

from pathlib import Path

import pytest

from strikewatch.detectors.registry import DETECTORS
from strikewatch.errors import InputError
from strikewatch.review.coaching import OWN, read

_NOTE = '[same_spot]\nname = "x"\nwhat = "x"\nharm = "x"\ninstead = ["x"]\nask = "x"\ncare = "x"\n'
_HEAD = 'language = "de"\ncaution = "Vorsicht."\n'


def test_every_fault_of_an_operator_has_a_note() -> None:
    ours = {fault.name for detector in DETECTORS for fault in detector.faults if fault.of_operator}
    assert ours <= read().notes.keys()


def test_notes_can_be_translated(tmp_path: Path) -> None:
    """A fault without a note is shown by its identifier in words."""
    (tmp_path / "de.toml").write_text(_HEAD + _NOTE, encoding="utf-8")
    coaching = read(tmp_path / "de.toml")
    assert (coaching.language, coaching.caution, coaching.name("same_spot")) == ("de", "Vorsicht.", "x")
    assert coaching.name("hot_oil") == "Hot oil"


@pytest.mark.parametrize(
    ("text", "place"),
    [
        (None, "cannot be read"),
        ("language = ", "not TOML"),
        (_NOTE, "`language` and `caution`"),
        (_HEAD + _NOTE.replace('harm = "x"\n', ""), "same_spot.harm"),
        (_HEAD + _NOTE.replace('["x"]', '"x"'), "same_spot.instead"),
        (_HEAD + _NOTE + 'colour = "x"\n', "same_spot.colour"),
        (_HEAD + _NOTE.replace('ask = "x"', 'ask = " "'), "same_spot.ask"),
        (_HEAD + 'hot_oil = "text"\n' + _NOTE, "hot_oil"),
    ],
)
def test_an_invalid_file_is_an_error_that_names_the_place(
    tmp_path: Path, text: str | None, place: str
) -> None:
    path = tmp_path / "notes.toml"
    if text is not None:
        path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read(path)
    assert str(path) in str(caught.value)
    assert place in str(caught.value)
    assert text is None or str(OWN) in str(caught.value)
