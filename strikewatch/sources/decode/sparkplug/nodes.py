"""What is known of the edge nodes of a source: their metrics and aliases, sequence numbers, births and deaths.

Pure: `Nodes` reads no clock. Its state is saved with each step, because the broker may send data after our restart
whose aliases were named before it.
"""

from collections import Counter
from collections.abc import Sequence
from typing import Final

from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode.sparkplug.node import (
    LAYOUT,
    REQUEST_EVERY,
    ChangedNode,
    MetricRecord,
    Node,
    NodeChanges,
    NodeId,
    Table,
    Taken,
    is_command,
    parse_topic,
)
from strikewatch.sources.decode.sparkplug.wire import Payload, read_payload, signed

MAX_NODES: Final = 1_000
"""Maximum nodes of a source. A node that is not alive makes room for a new one."""
MAX_METRICS: Final = 10_000
"""Maximum metrics of one node, with its devices."""
MAX_ALL_METRICS: Final = 200_000
"""Maximum metrics of all nodes of a source."""
REQUEST_SELDOM: Final = 3600 * SECOND
"""The longest time between two requests to a node that does not answer."""
MAX_BEHIND: Final = 86_400 * SECOND
"""A timestamp farther from its receipt says nothing about the node's clock."""

_RECENT_MESSAGES: Final = 1_000
_RECENT_RECORDS: Final = 20_000
"""How many messages, and records of these, are remembered in case a message is taken again."""
_MS: Final = 1_000_000
_SEQUENCE: Final = 256


class Nodes:
    """The edge nodes of one source, for one thread.

    `requests_births`: whether nodes may be asked for their births. If so, an alias is not trusted after a gap in the
    sequence, since a birth may have given it to another metric.
    """

    def __init__(self, requests_births: bool = True) -> None:
        self._requests_births = requests_births
        self._nodes: dict[NodeId, Node] = {}  # the one heard last is the last
        self._metrics = 0
        self._born: set[NodeId] = set()
        self._moved: set[NodeId] = set()
        self._removed: set[NodeId] = set()
        self._recent: dict[tuple[Instant, int], list[MetricRecord]] = {}  # in order of arrival
        self._recent_records = 0

    def __len__(self) -> int:
        return len(self._nodes)

    def take(self, topic_levels: Sequence[str], payload: bytes, received: Instant) -> Taken:
        """Take one message, in order of arrival; `received`: wall time of its receipt.

        A message that was put back and is taken again gives the same records, and changes nothing. Times are as sent:
        the caller checks that they are plausible. Raises Rejected for a message of which nothing is used; the state is
        then as before.
        """
        key = received, hash((*topic_levels, payload))
        if (records := self._recent.get(key)) is not None:
            return Taken(records, [], [], Counter())
        found = self._take(topic_levels, payload, received)
        self._remember(key, found.records)
        return found

    def _remember(self, key: tuple[Instant, int], records: list[MetricRecord]) -> None:
        self._recent[key] = records
        self._recent_records += len(records)
        while len(self._recent) > _RECENT_MESSAGES or self._recent_records > _RECENT_RECORDS:
            self._recent_records -= len(self._recent.pop(next(iter(self._recent))))

    def _take(self, topic_levels: Sequence[str], payload: bytes, received: Instant) -> Taken:
        """Take a message for the first time. Raises Rejected."""
        found = Taken([], [], [], Counter())
        if is_command(topic_levels):
            found.passed_over["command"] += 1
            return found
        node_id, message, device = parse_topic(topic_levels)
        read = read_payload(payload)
        if message == "NDEATH" and node_id not in self._nodes:
            found.passed_over["death of an unknown node"] += 1
            return found
        known = self._nodes.get(node_id) or Node()
        table = self._new_table(known, message, device, read, found) if message.endswith("BIRTH") else None
        node = self._node(node_id)
        if message == "NDEATH":
            self._end_session(node_id, node, read, received, found)
            return found
        if read.timestamp_ms is not None and abs(behind := received - read.timestamp_ms * _MS) <= MAX_BEHIND:
            node.behind_ns = behind
        if message == "NBIRTH":
            self._begin_session(node_id, node, read, received, found)
        else:
            self._check_sequence(node_id, node, read, received, found)
        self._moved.add(node_id)
        if table is not None:
            self._replace(node_id, node, device, table)
        if message == "DDEATH":
            self._end(node_id, node, [device], _time_of(read, received) + 1, found)
            return found
        self._add_values(node_id, node, device, message, read, received, found)
        return found

    # Births and deaths

    def _new_table(self, node: Node, message: str, device: str, read: Payload, found: Taken) -> Table:
        """Read the metrics of a birth, before anything is changed. Raises Rejected."""
        table, problems = Table.of_birth(read.metrics)
        found.rejected.extend(problems)
        replaced = node.tables.values() if message == "NBIRTH" else [node.tables.get(device, Table())]
        replaced_count = sum(len(each.datatypes) for each in replaced)
        if (count := node.count() - replaced_count + len(table.datatypes)) > MAX_METRICS:
            raise Rejected(
                "too_many_metrics", f"{count} metrics in the births of a node; at most {MAX_METRICS}"
            )
        if self._metrics - replaced_count + len(table.datatypes) > MAX_ALL_METRICS:
            raise Rejected(
                "too_many_metrics", f"more than {MAX_ALL_METRICS} metrics in the births of all nodes"
            )
        return table

    def _begin_session(
        self, node_id: NodeId, node: Node, read: Payload, received: Instant, found: Taken
    ) -> None:
        """Take the birth of a node, which ends what was known of it and its devices."""
        bd_seq = read.bd_seq
        if node.alive and bd_seq != node.bd_seq:
            # The death in between was lost. Values end just before the birth, so that they do not end those in it.
            self._end(node_id, node, list(node.tables), _time_of(read, received) - 1, found)
        self._forget_tables(node, list(node.tables))
        node.alive, node.is_certain = True, True
        node.bd_seq, node.seq = bd_seq, read.seq
        node.request_wait_ns = REQUEST_EVERY

    def _end_session(
        self, node_id: NodeId, node: Node, read: Payload, received: Instant, found: Taken
    ) -> None:
        """Take the death of a node. It is written when the session begins, so its timestamp says nothing."""
        bd_seq = read.bd_seq
        if None not in (bd_seq, node.bd_seq) and bd_seq != node.bd_seq:
            found.passed_over["death of an earlier session"] += 1
            return
        self._end(node_id, node, list(node.tables), received - node.behind_ns + 1, found)
        node.alive = False
        self._moved.add(node_id)

    def _end(self, node_id: NodeId, node: Node, devices: list[str], time: Instant, found: Taken) -> None:
        """End the values of all metrics of a node or of devices, which are no longer known.

        `time`: 1 ns beside any that is sent, since a value and its end cannot have the same instant.
        """
        _, group, name = node_id
        for device in devices:
            if device in node.tables:
                found.records.extend(
                    MetricRecord(group, name, device, metric, None, time)
                    for metric in node.tables[device].datatypes
                )
        self._forget_tables(node, devices)
        self._born.add(node_id)

    def _forget_tables(self, node: Node, devices: list[str]) -> None:
        for device in devices:
            if (table := node.tables.pop(device, None)) is not None:
                self._metrics -= len(table.datatypes)

    def _replace(self, node_id: NodeId, node: Node, device: str, table: Table) -> None:
        self._forget_tables(node, [device])
        node.tables[device] = table
        self._metrics += len(table.datatypes)
        self._born.add(node_id)

    # Data

    def _check_sequence(
        self, node_id: NodeId, node: Node, read: Payload, received: Instant, found: Taken
    ) -> None:
        """Compare a message's number with that of the one before; the same number is a repetition."""
        expected = (node.seq, None if node.seq is None else (node.seq + 1) % _SEQUENCE)
        if None not in (read.seq, node.seq) and read.seq not in expected:
            found.passed_over["gap in the sequence"] += 1
            node.is_certain = False
        if read.seq is not None:
            node.seq = read.seq
        if not (node.alive and node.is_certain):
            self._request(node_id, node, received, found)

    def _add_values(
        self,
        node_id: NodeId,
        node: Node,
        device: str,
        message: str,
        read: Payload,
        received: Instant,
        found: Taken,
    ) -> None:
        """Add the records of a message's metrics."""
        _, group, name = node_id
        table = node.tables.get(device) or Table()
        is_birth = message.endswith("BIRTH")
        trusts_aliases = node.is_certain or not self._requests_births
        unnamed = untimed = 0
        for metric in read.metrics:
            known = table.name_of(metric, trusts_aliases=trusts_aliases)
            if known is None:
                unnamed += 1
                continue
            if not metric.is_readable:
                found.passed_over["data set, template or bytes"] += 1
                continue
            stamp_ms = read.timestamp_ms if metric.timestamp_ms is None else metric.timestamp_ms
            if stamp_ms is None:
                untimed += 1
                continue
            if is_birth and not metric.is_historical and read.timestamp_ms is not None:
                stamp_ms = max(
                    stamp_ms, read.timestamp_ms
                )  # it says what is so now, however long that has been
            value = metric.value
            if type(value) is int:
                value = signed(value, metric.datatype or table.datatypes.get(known))
            if metric.is_historical:
                found.passed_over["historical"] += 1
            found.records.append(
                MetricRecord(group, name, device, known, value, stamp_ms * _MS, metric.is_historical)
            )
        where = f"{node_id}{'/' + device if device else ''}"
        if untimed:
            found.rejected.append(
                Rejected(
                    "missing",
                    f"{where}: {untimed} metrics without a timestamp, and none in the payload",
                    untimed,
                )
            )
        if unnamed:
            self._request(node_id, node, received, found)
            remedy = (
                "the node is asked for it"
                if self._requests_births
                else "have the node publish its births again"
            )
            found.rejected.append(
                Rejected(
                    "no_birth",
                    f"{where}: {unnamed} of {len(read.metrics)} metrics that no birth names; {remedy}",
                    unnamed,
                )
            )

    def _request(self, node_id: NodeId, node: Node, received: Instant, found: Taken) -> None:
        """Ask a node for its births, unless it was asked a short time ago."""
        if not self._requests_births or node_id in found.requests:
            return
        last = node.requested_ns
        if last is not None and 0 <= received - last < node.request_wait_ns:
            return
        if last is not None:
            node.request_wait_ns = min(2 * node.request_wait_ns, REQUEST_SELDOM)
        node.requested_ns = received
        found.requests.append(node_id)

    # Which nodes are known, and their saved state

    def _node(self, node_id: NodeId) -> Node:
        """Return a node, as the one heard last. Raises Rejected if there are too many."""
        node = self._nodes.pop(node_id, None)
        if node is None:
            if len(self._nodes) >= MAX_NODES:
                silent = next((each for each, known in self._nodes.items() if not known.alive), None)
                if silent is None:
                    raise Rejected(
                        "too_many_metrics", f"node {str(node_id)[:80]}: more than {MAX_NODES} nodes are alive"
                    )
                self._forget_tables(self._nodes[silent], list(self._nodes[silent].tables))
                del self._nodes[silent]
                self._removed.add(silent)
            self._removed.discard(node_id)
            self._born.add(node_id)
            node = Node()
        self._nodes[node_id] = node
        return node

    def take_changes(self) -> NodeChanges:
        """Return what has changed since the last call; it must be saved with the step that took the messages."""
        changed = [
            ChangedNode(
                each, self._nodes[each].births() if each in self._born else None, self._nodes[each].position()
            )
            for each in sorted(self._born | self._moved)
            if each in self._nodes
        ]
        removed = sorted(self._removed)
        self._born, self._moved, self._removed = set(), set(), set()
        return NodeChanges(changed, removed)

    def restore(self, node_id: NodeId, layout: str, births: str, position: str) -> None:
        """Restore a node as it was saved. A state of another layout is left out: the node is asked for its births."""
        if layout != LAYOUT:
            return
        node = Node.restored(births, position)
        self._nodes[node_id] = node
        self._metrics += node.count()


def _time_of(read: Payload, received: Instant) -> Instant:
    return received if read.timestamp_ms is None else read.timestamp_ms * _MS
