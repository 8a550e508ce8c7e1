"""The folder of a replayed fleet: tables of Parquet files, and a manifest that says which files count.

manifest.json        replaced in one step by a run that has finished: before it the run has not happened
TABLE/NAME.parquet   files are never changed, only added and removed
.staging/            what a run writes; removed at the start of the next run
"""

import fcntl
import hashlib
import json
import os
import re
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.compute as pc  # type: ignore[import-untyped]  # ships no types
import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types

from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.errors import InputError, Refused
from strikewatch.fleet.tables import SCHEMAS

FORMAT: Final = "strikewatch fleet/1"
MANIFEST: Final = "manifest.json"
_OURS: Final = re.compile(r"[0-9a-f]{32}\.parquet")


@dataclass(slots=True)
class Manifest:
    """What the folder holds.

    `end`: the latest row of any hammer. `settings`: digest of the settings that all of it was found with. `files`: by
    table, the files of finished segments; `open`: the files of what was still active at `end`. `refused`: recordings
    that could not be used, with the reason.
    """

    settings: str
    run: int = 0
    end: Instant = 0
    files: dict[str, list[str]] = field(default_factory=dict)
    open: dict[str, list[str]] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)


class FleetFolder:
    """A folder of tables, local or mounted: every worker must see it under the same path."""

    def __init__(self, path: Path) -> None:
        self.path = path.absolute()
        self.staging = self.path / ".staging"

    def manifest(self) -> Manifest | None:
        """Read the manifest; None if nothing was replayed into this folder yet. Raises InputError if it is not ours."""
        try:
            content = json.loads((self.path / MANIFEST).read_text(encoding="utf-8"))
        except FileNotFoundError:
            return None
        except (ValueError, OSError) as error:
            raise InputError(
                f"{self.path / MANIFEST}: cannot be read ({error}); replay into another folder"
            ) from None
        if not isinstance(content, dict) or content.pop("format", None) != FORMAT:
            raise InputError(f"{self.path / MANIFEST}: not of {FORMAT!r}; replay into another folder")
        return Manifest(**content)

    def files(self, table: str, manifest: Manifest | None = None) -> list[Path]:
        """Return the files of a table that count now. Raises InputError if there is no such fleet."""
        manifest = manifest or self.manifest()
        if manifest is None:
            raise InputError(
                f"{self.path}: no replayed fleet here; first run strikewatch fleet replay PATH --to {self.path}"
            )
        names = [*manifest.files.get(table, ()), *manifest.open.get(table, ())]
        return [self.path / table / name for name in names]

    def read(self, table: str, columns: Sequence[str] | None = None, *, site: str | None = None) -> Any:
        """Read a table, or the rows of one site, as a `pyarrow.Table`."""
        empty = SCHEMAS[table].empty_table()
        columns = None if columns is None else list(columns)
        filters = None if site is None else [("site", "=", site)]
        found = [
            pq.read_table(path, columns=columns, filters=filters, partitioning=None)
            for path in self.files(table)
        ]
        return pa.concat_tables([empty.select(columns) if columns else empty, *found])

    @contextmanager
    def run(self) -> Iterator[None]:
        """Hold the folder for one run, and remove what runs that did not finish have left. Raises Refused if in use."""
        own = {*SCHEMAS, ".staging", ".lock", MANIFEST}
        foreign = sorted({path.name for path in self.path.glob("*")} - own)
        if foreign:
            raise InputError(f"{self.path}: has other files ({', '.join(foreign[:3])}); name a new folder")
        self.path.mkdir(parents=True, exist_ok=True)
        with (self.path / ".lock").open("w") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise Refused(f"{self.path}: another run is writing here; wait until it has ended") from None
            self.clean()
            yield

    def clean(self) -> None:
        """Remove files that no manifest lists."""
        shutil.rmtree(self.staging, ignore_errors=True)
        manifest = self.manifest() or Manifest("")
        for table in SCHEMAS:
            listed = {path.name for path in self.files(table, manifest)}
            for path in (self.path / table).glob("*.parquet"):
                if path.name not in listed and _OURS.fullmatch(path.name):
                    path.unlink()

    def commit(self, manifest: Manifest) -> None:
        """Move the staged files to their tables, and make `manifest` the current one."""
        for staged in sorted(self.staging.glob("*/*.parquet")):
            folder = self.path / staged.parent.name
            folder.mkdir(exist_ok=True)
            _sync(staged)
            staged.replace(folder / staged.name)
        new = self.staging / MANIFEST
        self.staging.mkdir(exist_ok=True)
        new.write_text(json.dumps({"format": FORMAT, **asdict(manifest)}, indent=1), encoding="utf-8")
        _sync(new)
        for table in SCHEMAS:
            if (self.path / table).is_dir():
                _sync(self.path / table)
        new.replace(self.path / MANIFEST)
        _sync(self.path)
        self.clean()


def without_segments(path: Path, staging: Path, replaced: Mapping[Key, Instant]) -> str | None:
    """Copy a file without the segments of hammers after the given instants; None if it has none of them.

    Returns the name of the copy in `staging`, empty if no row is left.
    """
    file = pq.ParquetFile(path)
    keys = file.read(columns=["site", "hammer", "segment_ns"])
    stale = [
        segment > replaced.get((site, hammer), segment)
        for site, hammer, segment in zip(*(column.to_pylist() for column in keys.columns), strict=True)
    ]
    if not any(stale):
        return None
    if all(stale):
        return ""
    name = f"{hashlib.blake2b(path.name.encode(), digest_size=16, key=os.urandom(16)).hexdigest()}.parquet"
    folder = staging / path.parent.name
    folder.mkdir(parents=True, exist_ok=True)
    with pq.ParquetWriter(folder / name, file.schema_arrow, compression="zstd") as writer:
        first = 0
        for group in range(file.num_row_groups):
            table = file.read_row_group(group)
            kept = table.filter(pc.invert(pa.array(stale[first : first + len(table)])))
            first += len(table)
            if len(kept):
                writer.write_table(kept)
    return name


def _sync(path: Path) -> None:
    """Make a file's or a folder's content durable."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
