"""Coaching notes: what a fault does to the machine and what to do instead, in a file that a trainer may edit."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final

from pydantic import BaseModel, ConfigDict, StringConstraints, TypeAdapter, ValidationError

from strikewatch.errors import InputError

OWN: Final = Path(__file__).with_name("en.toml")
_Words = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]


class Note(BaseModel):
    """One fault: its name, what it is, the harm to the machine, what to do instead, what to ask, and what to watch."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    name: _Words
    what: _Words
    harm: _Words
    instead: list[_Words]
    ask: _Words
    care: _Words


@dataclass(frozen=True, slots=True)
class Coaching:
    """The notes by fault. `language`: language code of the texts. `caution`: a sentence shown with all of them."""

    language: str
    caution: str
    notes: Mapping[str, Note]

    def name(self, fault: str) -> str:
        """Return the display name of a fault, or its identifier in words if there is no note."""
        note = self.notes.get(fault)
        return note.name if note else fault.replace("_", " ").capitalize()


def read(path: Path | None = None) -> Coaching:
    """Read the built-in notes or those of a file like `en.toml`. Raises InputError with the place and the remedy."""
    path = path or OWN
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); name a file of coaching notes"
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: is not TOML in UTF-8 ({error}); compare it with {OWN}") from None
    try:
        heads = {name: _HEAD.validate_python(tables.pop(name, None)) for name in ("language", "caution")}
    except ValidationError:
        raise InputError(
            f"{path}: `language` and `caution` must both be present, as text; compare with {OWN}"
        ) from None
    try:
        return Coaching(**heads, notes=_NOTES.validate_python(tables))
    except ValidationError as error:
        mistake = error.errors()[0]
        where = ".".join(map(str, mistake["loc"]))
        raise InputError(f"{path}: {where}: {mistake['msg'].lower()}; compare with {OWN}") from None


_HEAD: Final[TypeAdapter[str]] = TypeAdapter(_Words, config=ConfigDict(strict=True))
_NOTES: Final[TypeAdapter[dict[str, Note]]] = TypeAdapter(dict[str, Note])
