"""The words of the page: one file a language, so that a translation is one more file."""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from strikewatch.errors import SettingsError

_OWN: Final = Path(__file__).parent / "texts"
SOURCE: Final = "en"
"""The language that has every word; what another one lacks is taken from it."""


class Words:
    """`words("now.title")`: the text of a dotted name, its braces filled; the name itself where there is none."""

    def __init__(self, language: str, texts: Mapping[str, str]) -> None:
        self.language = language
        self._texts = texts

    def __call__(self, name: str, /, **values: object) -> str:
        return self._texts.get(name, name).format(**values) if values else self._texts.get(name, name)

    def has(self, name: str) -> bool:
        return name in self._texts

    def under(self, table: str) -> dict[str, str]:
        """The texts of one table, by their names within it."""
        start = f"{table}."
        return {
            name.removeprefix(start): text for name, text in self._texts.items() if name.startswith(start)
        }


def languages(folder: Path | None = None) -> dict[str, Words]:
    """Every language there is, by its code: our own, and those of a folder, which come first.

    Raises SettingsError naming the file and what is wrong with it.
    """
    files = {path.stem: path for place in (_OWN, folder) if place for path in sorted(place.glob("*.toml"))}
    source = _read(_OWN / f"{SOURCE}.toml")
    found = {SOURCE: Words(SOURCE, source)}
    for code, path in files.items():
        texts = _read(path)
        if unknown := sorted(texts.keys() - source.keys()):
            raise SettingsError([(str(path), f"{unknown[0]} is no text of the page; see {SOURCE}.toml")])
        found[code] = Words(code, {**source, **texts})
    return found


def _read(path: Path) -> dict[str, str]:
    try:
        return dict(_flat(tomllib.loads(path.read_text(encoding="utf-8"))))
    except OSError as error:
        raise SettingsError([(str(path), f"cannot be read ({error.strerror})")]) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, TypeError) as error:
        raise SettingsError([(str(path), f"is not a TOML file of texts: {error}")]) from None


def _flat(table: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    flat: list[tuple[str, str]] = []
    for name, value in table.items():
        if isinstance(value, dict):
            flat += _flat(value, f"{before}{name}.")
        elif isinstance(value, str):
            flat.append((before + name, value))
        else:
            raise TypeError(f"{before}{name} must be a text")
    return flat
