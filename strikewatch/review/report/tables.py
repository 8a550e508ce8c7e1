"""Write the tables of a review for other programs: CSV files in a folder, or one JSON object."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from strikewatch.errors import InputError

if TYPE_CHECKING:
    import pandas as pd


def to_csv(tables: "Mapping[str, pd.DataFrame]", folder: Path) -> None:
    """Write one file per table, replacing older files. Raises InputError if one cannot be written."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, table in tables.items():
            plain = without_wide_limits(table)
            if "evidence" in table:
                plain = plain.assign(
                    evidence=[json.dumps(evidence, ensure_ascii=False) for evidence in table["evidence"]]
                )
            plain.to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%dT%H:%M:%S.%fZ")
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror}); name another folder") from None


def without_wide_limits(table: "pd.DataFrame") -> "pd.DataFrame":
    """Return the table without limits that are too wide to be useful, as in the report."""
    if "limits" not in table:
        return table
    useful = table["limits"] != "little"
    return table.assign(lower=table["lower"].where(useful), upper=table["upper"].where(useful))


def to_json(tables: "Mapping[str, pd.DataFrame]", head: Mapping[str, Any]) -> str:
    """One object: `head`, and each table as an array of objects; unknown numbers are null, instants RFC 3339."""
    document: dict[str, Any] = dict(head)
    for name, table in tables.items():
        text = without_wide_limits(table).to_json(
            orient="records", date_format="iso", date_unit="us", double_precision=15
        )
        document[name] = json.loads(text)
    return json.dumps(document, ensure_ascii=False)
