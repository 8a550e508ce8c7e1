"""The AsyncAPI description against the published JSON schema of AsyncAPI 3.0.0.

Source: `schemas/3.0.0-without-$id.json` of the npm package @asyncapi/specs 6.11.1 (Apache-2.0), without white space.
"""

import gzip
import json
from pathlib import Path

import pytest
from jsonschema import Draft7Validator

from strikewatch.sources.describe import describe
from strikewatch.sources.mapping import SourceTable, check_tables
from tests.sources.mapping.examples import example_tables

SCHEMA = json.loads(gzip.decompress((Path(__file__).parent / "asyncapi-3.0.0.json.gz").read_bytes()))


@pytest.mark.parametrize("tables", [{}, check_tables(example_tables())[0]], ids=["contract", "mapped"])
def test_the_description_is_valid(tables: dict[str, SourceTable]) -> None:
    described = json.loads(json.dumps(describe(tables)))
    assert not [
        f"{list(error.absolute_path)}: {error.message}"
        for error in Draft7Validator(SCHEMA).iter_errors(described)
    ]


def test_a_description_with_an_unknown_action_is_not() -> None:
    described = describe()
    described["operations"]["receive_samples"]["action"] = "read"
    assert [*Draft7Validator(SCHEMA).iter_errors(described)]
