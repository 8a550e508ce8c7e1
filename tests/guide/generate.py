"""Write the generated guides (settings, HTTP interface) anew: `python -m tests.guide.generate`.

`strikewatch/guide/settings.md` comes from the models, `api.md` from the OpenAPI description that the server gives, and
`asyncapi.json` from the channels and kinds of events.
"""

import json
import tempfile
from collections.abc import Iterator
from pathlib import Path
from types import UnionType
from typing import Any, Final, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

import strikewatch.guide
from strikewatch.settings.tree import Settings
from strikewatch.sources.describe import describe
from tests.web.site import site

FOLDER: Final = Path(strikewatch.guide.__file__).parent
UNITS: Final = {
    "s": "s",
    "h": "h",
    "days": "days",
    "c": "°C",
    "bar": "bar",
    "m": "m",
    "mm": "mm",
    "deg": "°",
    "rpm": "1/min",
    "mib": "MiB",
    "gib": "GiB",
    "kib": "KiB",
}
"""Last part of a setting's name → its unit."""

SETTINGS_HEAD: Final = """# All settings

Generated from the program. `config/strikewatch.toml` in the project's folder is a file with all of them, ready to edit.

Each setting can be given in the settings file (TOML); for one hammer in the file that `hammers_file` names (the tables
of `faults` without that word); or as an environment variable: `STRIKEWATCH_` and the path, joined by two underscores,
such as `STRIKEWATCH_MQTT__HOST`. Unknown names are errors. `strikewatch settings` checks everything and prints the
values in force.

```toml
[faults.same_spot]
limit_s = 12.0
```

```sh
strikewatch settings --config config/strikewatch.toml
```
"""

API_HEAD: Final = """# The HTTP interface

Generated from `/openapi.json`, which describes every operation exactly: types, limits and answers. `strikewatch run`
serves it at http://127.0.0.1:8470 (`[http]` in the [settings](settings.md)). Requests need a token, as
[operations](operations.md) explains:

```sh
curl -H "Authorization: Bearer sw_…" http://127.0.0.1:8470/api/v1/active
```

- Requests are idempotent. Errors are JSON with `error` and `remedy`.
- An event with an unusual value is answered 422 with `"confirm":true` and a question for each field. To save it, send
  it again with `"confirmed":true`.
- `{"event":"withdrawal","corrects":17}` withdraws entry 17.
- `/healthz`, `/readyz` and `/metrics` are described in [operations](operations.md).
"""


def settings_text() -> str:
    """The reference of settings, as Markdown."""
    return SETTINGS_HEAD + "".join(_table("", Settings))


def _table(path: str, model: type[BaseModel]) -> Iterator[str]:
    own, inner = [], []
    for name, field in model.model_fields.items():
        below = _model(field.annotation)
        (own if below is None else inner).append((name, field, below))
    if own:
        yield f"\n## {path or 'At the top'}\n\n"
        if path and model.__doc__ and "Usage" not in model.__doc__:
            yield f"{' '.join(model.__doc__.split())}\n\n"
        yield "| setting | unit | default | description |\n| --- | --- | --- | --- |\n"
        for name, field, _ in own:
            unit = UNITS.get(name.rpartition("_")[2], "") if "_" in name else ""
            about = (field.description or "").replace("|", "\\|")
            yield f"| `{name}` | {unit} | {_default(field)} | {about} |\n"
    for name, _, below in inner:
        if below is not None:
            yield from _table(f"{path}.{name}".removeprefix("."), below)


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    value = field.get_default(call_default_factory=True)
    if value is None or value is PydanticUndefined:
        return "none"
    return f"`{json.dumps(value, default=str, ensure_ascii=False)}`"


def _model(kind: Any) -> type[BaseModel] | None:
    """The table that a setting is, may be, or is a list of."""
    many = get_origin(kind) in (Union, UnionType, tuple)
    kinds = get_args(kind) if many else (kind,)
    return next((each for each in kinds if isinstance(each, type) and issubclass(each, BaseModel)), None)


def api_text(description: dict[str, Any]) -> str:
    """The reference of the HTTP interface, as Markdown, from its OpenAPI description."""
    lines = [API_HEAD, "\n| request | does | parameters | body |\n| --- | --- | --- | --- |\n"]
    for path, methods in sorted(description["paths"].items()):
        for method, operation in sorted(methods.items()):
            parameters = ", ".join(f"`{each['name']}`" for each in operation.get("parameters", ()))
            about = f"{operation['summary']} {operation.get('description', '')}".strip()
            body = ", ".join(f"`{name}`" for name in _fields(operation, description))
            lines.append(f"| `{method.upper()} {path}` | {about} | {parameters} | {body} |\n")
    return "".join(lines)


def _fields(operation: dict[str, Any], description: dict[str, Any]) -> list[str]:
    content = operation.get("requestBody", {}).get("content", {})
    schema = content.get("application/json", {}).get("schema", {})
    if "$ref" in schema:
        schema = description["components"]["schemas"][schema["$ref"].rpartition("/")[2]]
    return list(schema.get("properties", {}))


def asyncapi_text() -> str:
    """The AsyncAPI description of the contract's topics, as JSON."""
    return f"{json.dumps(describe(), indent=2, ensure_ascii=False)}\n"


def openapi() -> dict[str, Any]:
    """What a running server says of itself."""
    with tempfile.TemporaryDirectory() as folder, site(Path(folder)) as server:
        token = server.token("reader", "view")
        described: dict[str, Any] = server.request("GET", "/openapi.json", token=token).json
    return described


if __name__ == "__main__":
    (FOLDER / "settings.md").write_text(settings_text(), encoding="utf-8")
    (FOLDER / "asyncapi.json").write_text(asyncapi_text(), encoding="utf-8")
    (FOLDER / "api.md").write_text(api_text(openapi()), encoding="utf-8")
