"""The AsyncAPI description: its references lead somewhere, and its schemas take what the contract takes."""

import json
import re
from typing import Any

import pytest
from jsonschema import Draft7Validator

from strikewatch.sources.describe import describe
from strikewatch.sources.mapping import check_tables
from tests.guide.documents import Block, of
from tests.sources.mapping.examples import MESSAGES, example_tables

TABLES, _ = check_tables(example_tables())
WHOLE = describe(TABLES)


def _references(node: Any) -> list[str]:
    if isinstance(node, dict):
        own = [node["$ref"]] if "$ref" in node else []
        return own + [each for value in node.values() for each in _references(value)]
    return [each for value in node for each in _references(value)] if isinstance(node, list) else []


def _at(reference: str) -> Any:
    node: Any = WHOLE
    for step in reference.removeprefix("#/").split("/"):
        node = node[step]
    return node


def test_every_reference_leads_somewhere_and_every_channel_is_received() -> None:
    for reference in _references(WHOLE):
        assert _at(reference)
    received = {_at(each["channel"]["$ref"])["address"] for each in WHOLE["operations"].values()}
    assert received == {each["address"] for each in WHOLE["channels"].values()}
    assert WHOLE["asyncapi"] == "3.0.0"


def test_every_word_of_an_address_is_a_parameter() -> None:
    """AsyncAPI 3.0.0, Channel Object: `parameters` has the expressions of the address and no others."""
    for channel in WHOLE["channels"].values():
        words = set(re.findall(r"\{(\w+)\}", channel["address"]))
        assert words == channel.get("parameters", {}).keys()
        assert "+" not in channel["address"]
        assert "#" not in channel["address"]


def test_a_source_without_a_time_or_of_sparkplug_is_received_at_qos_0() -> None:
    qos = {name: each["bindings"]["mqtt"]["qos"] for name, each in WHOLE["operations"].items()}
    assert {name for name, level in qos.items() if level == 0} == {"receive_pit-plc", "receive_edge"}


@pytest.mark.parametrize("block", of("json samples", "json events"), ids=str)
def test_the_messages_of_the_guides_fit(block: Block) -> None:
    name = {"samples": "samples", "events": "event"}[block.form.partition(" ")[2]]
    Draft7Validator.check_schema(_at(f"#/components/schemas/{name}"))
    validator = Draft7Validator(_at(f"#/components/schemas/{name}"))
    for line in block.text.splitlines():
        message = json.loads(line)
        is_senml = isinstance(message, list) and "bn" in message[0]
        assert is_senml or not [*validator.iter_errors(message)], line


@pytest.mark.parametrize(
    "wrong", [{"event": "greased"}, {"event": "check"}, {"event": "hours", "meter_h": -1}]
)
def test_a_wrong_event_does_not_fit(wrong: dict[str, Any]) -> None:
    assert [*Draft7Validator(_at("#/components/schemas/event")).iter_errors(wrong)]


def test_the_payloads_of_json_sources_fit_their_schemas() -> None:
    for topic, payload in MESSAGES:
        if topic.startswith(("v1/", "scada/", "rtu/", "cab/")):
            name = {"v1": "telem", "scada": "opc", "rtu": "modbus", "cab": "badge"}[topic.partition("/")[0]]
            schema = WHOLE["components"]["messages"][name]["payload"]
            Draft7Validator.check_schema(schema)
            assert not [*Draft7Validator(schema).iter_errors(json.loads(payload))], topic
