"""Sparkplug B 3.0 (Eclipse Foundation), as a consumer: births name the metrics, data may give only their aliases.

wire.py   one payload: protocol buffers and metrics
node.py   what is known of one node, and what its messages give
nodes.py  the nodes of a source, over messages

We are no Host Application of the specification: that one must begin each session clean and publish a STATE, and our
session at the broker is kept. `protobuf` is loaded only where a source uses this package.
"""

from strikewatch.sources.decode.sparkplug.node import (
    LAYOUT,
    ChangedNode,
    MetricRecord,
    NodeChanges,
    NodeId,
    Taken,
)
from strikewatch.sources.decode.sparkplug.nodes import Nodes

__all__ = ["LAYOUT", "ChangedNode", "MetricRecord", "NodeChanges", "NodeId", "Nodes", "Taken"]
