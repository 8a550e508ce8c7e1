"""The settings that a command on the database uses. Those of the detectors take long to import."""

import os
import tomllib
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict, Field

from strikewatch.engine.flood import Settings as Alarms
from strikewatch.settings.environment import PREFIX, environment_tables, is_table, overlay, usable
from strikewatch.sinks.sites import Sites
from strikewatch.storage.settings import RecorderSettings as Recording
from strikewatch.storage.settings import Settings as Store

OTHER_TABLES: Final = frozenset(
    (
        *(
            "mqtt",
            "intake",
            "faults",
            "hammers",
            "hammers_file",
            "sources_file",
            "alive_file",
            "log",
            "http",
            "review",
        ),
        *("mqtt_alerts", "heartbeat", "webhooks", "push", "kafka"),
    )
)
"""The names of all other settings in the tree."""


class DatabaseSettings(BaseModel):
    """Where the database and the recordings are, and how alerts are shelved and suppressed."""

    model_config = ConfigDict(frozen=True)

    store: Store = Field(default_factory=Store)
    recording: Recording = Field(default_factory=Recording)
    alarms: Alarms = Field(default_factory=Alarms)
    sites: Sites = Field(default_factory=Sites)


def load_database_settings(path: Path | None) -> DatabaseSettings:
    """Load the settings from a file and the environment; mistakes in other tables do not matter here.

    With a mistake in these tables, or a name that the tree of settings does not have, the whole tree is loaded, which
    reports every mistake. Raises SettingsError.
    """
    try:
        tables = {} if path is None else tomllib.loads(path.read_text(encoding="utf-8"))
        if _all_known(set(tables)):
            return DatabaseSettings.model_validate(overlay(tables, environment_tables(DatabaseSettings)))
    except (OSError, ValueError):
        pass  # the whole tree words the mistake
    from strikewatch.settings.tree import load

    tree = load(path)
    return DatabaseSettings(**{name: getattr(tree, name) for name in DatabaseSettings.model_fields})


def _all_known(tables: set[str]) -> bool:
    """Return whether every table of the file and every variable is a setting and can be read."""
    readable = usable(DatabaseSettings)
    variables = [name for name in os.environ if name.upper().startswith(PREFIX)]
    return tables <= OTHER_TABLES | DatabaseSettings.model_fields.keys() and all(
        name.lower() in readable or is_table(name, OTHER_TABLES) for name in variables
    )
