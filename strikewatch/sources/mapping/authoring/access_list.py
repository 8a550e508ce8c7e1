"""The lines of a broker's access list that sources need."""

from collections.abc import Mapping

from strikewatch.sources.mapping.sources import Sources
from strikewatch.sources.mapping.tables import SourceTable


def access_list(tables: Mapping[str, SourceTable], user: str) -> list[str]:
    """Return the lines of Mosquitto's access list that let the account `user` take in the sources."""
    lines = [f"user {user}", *(f"topic read {each}" for each in Sources(tables).filters)]
    for table in tables.values():
        if table.payload == "sparkplug" and table.rebirth:
            for topic in table.topics:
                namespace, group = [*topic.split("/"), "#"][:2]
                group = "+" if group in ("#", "+") or "{" in group else group
                lines.append(f"topic write {namespace}/{group}/NCMD/+")
    return list(dict.fromkeys(lines))
