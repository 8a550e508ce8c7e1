"""The texts of the page: one file a language. A translation is one more file."""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from strikewatch.errors import SettingsError

_TEXTS: Final = Path(__file__).parent / "texts"
SOURCE: Final = "en"
"""The language that has every text; what another one lacks is taken from it."""
_RENAMED_TABLES: Final = {
    "choices": "preferences",
    "say": "common",
    "sheet": "menu",
    "strip": "timeline",
    "verdict": "wear",
    "write": "log",
}
_RENAMED_FAULT_TEXTS: Final = {"told": "description", "do": "advice"}
_RENAMED_KEYS: Final = {
    "log.drop": "log.discard",
    "log.mend": "log.fix",
    "log.stands": "log.expected",
    "log.told_at_once": "log.advice_follows",
    "now.rest": "now.ended",
    "now.unwatched": "now.not_monitored",
    "page.unnamed": "page.anonymous",
    "review.making": "review.preparing",
    "timeline.told": "timeline.description",
    "week.figures": "week.kpis",
    "week.yardstick": "week.benchmark",
}
"""Earlier names of tables, of the texts of a fault, and of single texts, which translations may still use."""


class Translation:
    """`translation("now.title", **values)`: the text of a key with its braces filled; the key itself if unknown."""

    def __init__(self, language: str, texts: Mapping[str, str]) -> None:
        self.language = language
        self._texts = texts

    def __call__(self, key: str, /, **values: object) -> str:
        text = self._texts.get(key, key)
        return text.format(**values) if values else text

    def has(self, key: str) -> bool:
        """Return whether there is a text."""
        return key in self._texts

    def table(self, name: str) -> dict[str, str]:
        """Return the texts of one table, by their keys within it."""
        start = f"{name}."
        return {key.removeprefix(start): text for key, text in self._texts.items() if key.startswith(start)}


def load_translations(folder: Path | None = None) -> dict[str, Translation]:
    """Load every language by its code: our own, and those in a folder, which take precedence.

    Raises SettingsError naming the file and what is wrong with it.
    """
    files = {path.stem: path for place in (_TEXTS, folder) if place for path in sorted(place.glob("*.toml"))}
    source = _read(_TEXTS / f"{SOURCE}.toml")
    found = {SOURCE: Translation(SOURCE, source)}
    for code, path in files.items():
        texts = _read(path)
        if unknown := sorted(texts.keys() - source.keys()):
            raise SettingsError([(str(path), f"{unknown[0]} is not a text of the page; see {SOURCE}.toml")])
        found[code] = Translation(code, {**source, **texts})
    return found


def _read(path: Path) -> dict[str, str]:
    try:
        return {
            _present_key(key): text for key, text in _flat(tomllib.loads(path.read_text(encoding="utf-8")))
        }
    except OSError as error:
        raise SettingsError([(str(path), f"cannot be read ({error.strerror})")]) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, TypeError) as error:
        raise SettingsError([(str(path), f"is not a TOML file of texts: {error}")]) from None


def _present_key(key: str) -> str:
    table, _, rest = key.partition(".")
    if table == "fault":
        fault, _, text = rest.partition(".")
        return f"fault.{fault}.{_RENAMED_FAULT_TEXTS.get(text, text)}"
    key = f"{_RENAMED_TABLES.get(table, table)}.{rest}"
    return _RENAMED_KEYS.get(key, key)


def _flat(table: Mapping[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    flat: list[tuple[str, str]] = []
    for name, value in table.items():
        if isinstance(value, dict):
            flat += _flat(value, f"{prefix}{name}.")
        elif isinstance(value, str):
            flat.append((prefix + name, value))
        else:
            raise TypeError(f"{prefix}{name} must be a text")
    return flat
