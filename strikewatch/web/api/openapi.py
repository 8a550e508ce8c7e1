"""The interface's description in OpenAPI 3.1, made from the operations themselves."""

import re
from collections.abc import Iterable
from importlib.metadata import version
from typing import Any

from strikewatch.web.api.alert_routes import Operation

_FAILURE = {
    "description": "What is wrong, and the remedy",
    "content": {
        "application/json": {
            "schema": {
                "type": "object",
                "required": ["error", "remedy"],
                "properties": {"error": {"type": "string"}, "remedy": {"type": "string"}},
            }
        }
    },
}


def describe(operations: Iterable[Operation]) -> dict[str, Any]:
    paths: dict[str, dict[str, Any]] = {}
    for one in operations:
        paths.setdefault(one.path, {})[one.method.lower()] = _operation(one)
    return {
        "openapi": "3.1.0",
        "info": {"title": "Strikewatch", "version": version("strikewatch")},
        "paths": paths,
        "components": {"securitySchemes": {"token": {"type": "http", "scheme": "bearer"}}},
        "security": [{"token": []}],
    }


def _operation(one: Operation) -> dict[str, Any]:
    in_path = set(re.findall(r"{(\w+)}", one.path))
    schema = one.parameters.model_json_schema()
    required = schema.get("required", [])
    described: dict[str, Any] = {
        "operationId": one.name,
        "summary": one.summary,
        "description": f"Needs the role {one.role}.",
        "parameters": [
            {
                "name": name,
                "in": "path" if name in in_path else "query",
                "required": name in required,
                "schema": field,
            }
            for name, field in schema.get("properties", {}).items()
        ],
        "responses": {
            "200": {
                "description": "Done",
                "content": {"application/json": {"schema": {"type": "object"}}},
            },
            **{str(status): _FAILURE for status in (401, 403, 404, 408, 409, 413, 422, 429, 503)},
        },
    }
    if one.body is not None:
        body = one.body.model_json_schema()
        described["requestBody"] = {
            "required": bool(body.get("required")),
            "content": {"application/json": {"schema": body}},
        }
    return described
