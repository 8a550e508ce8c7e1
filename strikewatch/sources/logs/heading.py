"""The heading of a table: names of columns, and where the rows begin."""

from collections import Counter
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

from strikewatch.errors import InputError
from strikewatch.sources.mapping import paths
from strikewatch.sources.mapping.tables import SourceTable

_LOOKED_THROUGH: Final = 60
"""Rows at the top of a table in which a missing column is looked for."""


class Heading:
    """Resolves the paths of a source to columns of a table."""

    def __init__(self, path: Path, rows: Sequence[Sequence[Any]], source: SourceTable) -> None:
        self._path, self._rows, self._skip = path, rows[:_LOOKED_THROUGH], source.skip
        self.has_names = source.header is not False
        if len(rows) <= source.skip:
            raise InputError(f"{path}: has no rows after the {source.skip} that `skip` leaves out")
        first = rows[source.skip]
        self.names = (
            [_name(cell) for cell in first] if self.has_names else [str(k) for k in range(len(first))]
        )
        self.first_row = source.skip + 1 + self.has_names + source.skip_after
        """Number of the first row of values, from 1."""
        twice = Counter(self.names)
        seen: Counter[str] = Counter()
        self.unique = []
        for name in self.names:
            seen[name] += 1
            self.unique.append(name if twice[name] == 1 else f"{name}#{seen[name]}")

    def column(self, path: str) -> str:
        """Return the unique name of the column that a path names. Raises InputError."""
        root, steps = paths.parse(path)
        [step, *more] = [*steps, None]
        if root != "@" or more != [None] or not isinstance(step, str | int):
            raise InputError(
                f"{path}: name one column of the table, like @.oil or @['Druck [bar]'], or @[2] by number"
            )
        if isinstance(step, int):
            if not -len(self.unique) <= step < len(self.unique):
                raise InputError(
                    f"{self._path}: no column {step}; it has {len(self.unique)}, numbered from 0"
                )
            return self.unique[step]
        if not self.has_names:
            raise InputError(
                f"{self._path}: with header = false columns have no names; use {step!r} by number, like @[2]"
            )
        found = [unique for name, unique in zip(self.names, self.unique, strict=True) if name == step.strip()]
        if len(found) > 1:
            raise InputError(
                f"{self._path}: column `{step}` is there {len(found)} times; name it by number, like @[2]"
            )
        if not found:
            raise InputError(self._missing(step))
        return found[0]

    def _missing(self, name: str) -> str:
        shown = ", ".join(f"`{one}`" for one in self.names[:30])
        for k, row in enumerate(self._rows):
            if k != self._skip and name.strip() in map(_name, row):
                return f"{self._path}: column `{name}` is in line {k + 1}: set skip = {k}"
        folded = {one.casefold(): one for one in self.names}
        near = get_close_matches(name.casefold(), folded, 1, 0.5)
        hint = f"did you mean `{folded[near[0]]}`? " if near else ""
        return f"{self._path}: no column `{name}`; {hint}its columns are: {shown or 'none'}"


def _name(cell: Any) -> str:
    return "" if cell is None else " ".join(str(cell).split())
