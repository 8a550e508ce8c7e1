"""What the workers of a stream need: settings and mapping tables as text, and what is made of them in each process."""

import tomllib
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.engine.pipeline import Pipeline
from strikewatch.errors import InputError, Rejected, SettingsError
from strikewatch.settings.tree import Settings
from strikewatch.sources.decode import topic
from strikewatch.sources.mapping import Sources
from strikewatch.sources.mapping.mistakes import check_tables

NO_HAMMER = "", ""


LATE_MS = 2000
LATE_TRIGGERS = 2


class StreamSettings(NamedTuple):
    """Settings that results depend on, as JSON without secrets, and the sources file as TOML.

    `late_ms`: a look at a silent hammer that comes so much later than it was due shows that the stream did not run, or
    is behind, in between.
    """

    settings: str
    sources: str = ""
    late_ms: int = LATE_MS

    @staticmethod
    def of(settings: Settings, trigger_s: float = 1.0) -> "StreamSettings":
        """Return what the workers need of all settings. Raises SettingsError for sources that a stream cannot map.

        `trigger_s`: time from one micro-batch to the next while the stream keeps up.
        """
        parts: dict[str, Any] = {"faults": True, "hammers": True, "intake": True, "mqtt": {"prefix"}}
        path: Path | None = settings.sources_file
        found = StreamSettings(
            settings.model_dump_json(include=parts),
            path.read_text(encoding="utf-8") if path is not None else "",
            max(LATE_MS, round(LATE_TRIGGERS * trigger_s * 1000)),
        )
        if sparkplug := found.load_sources().sparkplug:
            raise InputError(
                f"{path}: source {sparkplug[0].name!r} is Sparkplug, whose names are known from earlier messages only; "
                "a stream cannot map it: run a processor for its site"
            )
        return found

    def load(self) -> Settings:
        """Return the settings; what workers do not need has its default."""
        return Settings.model_validate_json(self.settings)

    def load_sources(self) -> Sources:
        """Return the sources. Raises SettingsError with every mistake."""
        tables, problems = check_tables(tomllib.loads(self.sources), "sources_file")
        if problems:
            raise SettingsError(problems)
        return Sources(tables)


class Engine:
    """Settings, sources and detectors of a process; the detectors' state is that of the hammer worked on last."""

    def __init__(self, given: StreamSettings) -> None:
        self.settings = given.load()
        self.sources = given.load_sources()
        self.late_ms = given.late_ms
        self.pipeline = Pipeline(self.settings.of_hammer)


@lru_cache(maxsize=1)
def engine(given: StreamSettings) -> Engine:
    """Return this process's engine."""
    return Engine(given)


class Router:
    """Finds the hammers of messages, so that all messages of a hammer reach its state."""

    def __init__(self, given: StreamSettings) -> None:
        self._prefix = given.load().mqtt.prefix
        self._sources = given.load_sources()

    def hammers(self, name: str, payload: bytes, received: Instant) -> list[Key]:
        """Return the hammers that a message says something of; `NO_HAMMER` for what names none, and is rejected."""
        return list(dict.fromkeys(self._hammers(name, payload, received)))

    def _hammers(self, name: str, payload: bytes, received: Instant) -> Iterator[Key]:
        try:
            yield topic.parse(name, self._prefix)[0]
            return
        except Rejected:
            pass
        taken = self._sources.taken(name)
        if taken and all(route.key is not None for route in taken):
            yield from (route.key for route in taken if route.key is not None)
            return
        found = self._sources.map(name, payload, received)
        yield from found.rows
        yield from ((event.site, event.hammer) for event in found.events)
        yield from (NO_HAMMER if key is None else key for _, key, _ in found.rejects)


@lru_cache(maxsize=1)
def router(given: StreamSettings) -> Router:
    """Return this process's router."""
    return Router(given)
