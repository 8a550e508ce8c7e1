"""What comes out of Sparkplug messages: records of metrics, requests, and the state to be saved."""

from collections import Counter
from typing import NamedTuple

from strikewatch.core.instant import Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode.sparkplug.node import NodeId
from strikewatch.sources.decode.sparkplug.wire import Value


class MetricRecord(NamedTuple):
    """The value of one metric. `device`: "" for a metric of the node itself.

    `value`: None where the metric has none any more: null, stale, of bad quality, or its node or device died.
    """

    group: str
    node: str
    device: str
    name: str
    value: Value
    time_ns: Instant
    is_historical: bool = False


class Taken(NamedTuple):
    """What one message gives. `requests`: nodes to ask for their births. `passed_over`: counts, by what it was."""

    records: list[MetricRecord]
    requests: list[NodeId]
    rejected: list[Rejected]
    passed_over: Counter[str]


class ChangedNode(NamedTuple):
    """The saved state of a node, of `LAYOUT`. `births`: None if only the position has changed."""

    id: NodeId
    births: str | None
    position: str


class NodeChanges(NamedTuple):
    """What is to be saved: nodes that have changed, and those that are no longer kept."""

    changed: list[ChangedNode]
    removed: list[NodeId]
