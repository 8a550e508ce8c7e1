"""Every table of a review, for other programs: CSV files in a folder, or one JSON object."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from strikewatch.errors import InputError

if TYPE_CHECKING:
    import pandas as pd


def to_csv(tables: "Mapping[str, pd.DataFrame]", folder: Path) -> None:
    """One file a table, older ones of that name replaced. Raises InputError where it cannot be written."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, table in tables.items():
            plain = shown(table)
            if "evidence" in table:
                plain = plain.assign(
                    evidence=[json.dumps(one, ensure_ascii=False) for one in table["evidence"]]
                )
            plain.to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%dT%H:%M:%S.%fZ")
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror}); name another folder") from None


def shown(table: "pd.DataFrame") -> "pd.DataFrame":
    """The table without limits that are too wide to say anything, as in the report."""
    if "limits" not in table:
        return table
    told = table["limits"] != "little"
    return table.assign(lower=table["lower"].where(told), upper=table["upper"].where(told))


def to_json(tables: "Mapping[str, pd.DataFrame]", head: Mapping[str, Any]) -> str:
    """One object: `head`, and each table as an array of objects; unknown numbers are null, instants RFC 3339."""
    told: dict[str, Any] = dict(head)
    for name, table in tables.items():
        text = shown(table).to_json(orient="records", date_format="iso", date_unit="us", double_precision=15)
        told[name] = json.loads(text)
    return json.dumps(told, ensure_ascii=False)
