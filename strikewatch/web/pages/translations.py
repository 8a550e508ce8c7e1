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
_RENAMED_TEXTS: Final = {
    "fault": {"told": "description", "do": "advice"},
    "log": {"drop": "discard", "mend": "fix", "stands": "expected", "told_at_once": "advice_follows"},
    "now": {"rest": "ended", "unwatched": "not_monitored"},
    "page": {"unnamed": "anonymous"},
    "review": {"making": "preparing"},
    "timeline": {"told": "description"},
    "week": {"figures": "kpis", "yardstick": "benchmark"},
}
"""Earlier names of tables, and of texts by present table, that translations may still use."""


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
    folders = [_TEXTS] if folder is None else [_TEXTS, folder]
    files = {path.stem: path for texts_folder in folders for path in sorted(texts_folder.glob("*.toml"))}
    source = _read(_TEXTS / f"{SOURCE}.toml")
    translations = {SOURCE: Translation(SOURCE, source)}
    for code, path in files.items():
        texts = _read(path)
        if unknown := sorted(texts.keys() - source.keys()):
            raise SettingsError([(str(path), f"{unknown[0]} is not a text of the page; see {SOURCE}.toml")])
        translations[code] = Translation(code, {**source, **texts})
    return translations


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
    table, *path, text = key.split(".")
    table = _RENAMED_TABLES.get(table, table)
    return ".".join((table, *path, _RENAMED_TEXTS.get(table, {}).get(text, text)))


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
