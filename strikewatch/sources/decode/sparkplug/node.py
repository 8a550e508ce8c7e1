"""One edge node: its topics, what its births said of its metrics, how it is saved, and what its messages give."""

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from strikewatch.core.instant import SECOND, Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode.sparkplug.wire import Metric, Value, rebirth_request

LAYOUT: Final = "sparkplug/1"
"""Of the saved state. `births`, in JSON: `{device: [[name, datatype, alias], …]}`, "" for the node itself.
`position`, in JSON: `{"alive": …, "bd_seq": …, "seq": …, "certain": …, "behind_ns": …}`."""

MAX_NAME_CHARACTERS: Final = 512
"""Maximum length of the name of a metric, and of a level of the topic."""
REQUEST_EVERY: Final = 10 * SECOND
"""A node is asked for its births at most this often, and half as often after each request without an answer."""
_MS: Final = 1_000_000
_MESSAGES: Final = frozenset({"NBIRTH", "NDATA", "NDEATH", "DBIRTH", "DDATA", "DDEATH"})


class NodeId(NamedTuple):
    """An edge node. `namespace`: the first level of its topics."""

    namespace: str
    group: str
    node: str

    def __str__(self) -> str:
        return f"{self.group}/{self.node}"

    def rebirth(self, now: Instant) -> tuple[str, bytes]:
        """Return topic and payload of the command that asks for its births; to be published at QoS 0, not retained."""
        return f"{self.namespace}/{self.group}/NCMD/{self.node}", rebirth_request(now // _MS)


class Table:
    """The metrics of a node itself or of one device: datatypes by name, and names by alias."""

    __slots__ = ("datatypes", "names")

    def __init__(self, metrics: Iterable[tuple[str, int | None, int | None]] = ()) -> None:
        """`metrics`: (name, datatype, alias)."""
        self.datatypes: dict[str, int | None] = {}
        self.names: dict[int, str] = {}
        for name, datatype, alias in metrics:
            self.datatypes[name] = datatype
            if alias is not None:
                self.names[alias] = name

    @classmethod
    def of_birth(cls, metrics: Iterable[Metric]) -> tuple["Table", list[Rejected]]:
        """Return the table that a birth gives, and aliases given twice, which are left out. Raises Rejected."""
        table = cls()
        twice: dict[int, str] = {}
        for metric in metrics:
            name, alias = metric.name, metric.alias
            if name is None:
                continue
            if len(name) > MAX_NAME_CHARACTERS:
                raise Rejected(
                    "too_large",
                    f"metric {name[:80]!r}…: a name of more than {MAX_NAME_CHARACTERS} characters",
                )
            table.datatypes[name] = metric.datatype
            if alias is not None and table.names.setdefault(alias, name) != name:
                twice[alias] = name
        problems = []
        for alias, name in twice.items():
            first = table.names.pop(alias)
            detail = f"alias {alias}: is given to {first[:80]!r} and {name[:80]!r}; neither is used"
            problems.append(Rejected("duplicate_key", detail))
        return table, problems

    def name_of(self, metric: Metric, *, trusts_aliases: bool) -> str | None:
        """Return the name of a metric; None if it is not known, or its sign is not.

        A name that no birth gave is used if the number needs no datatype, or comes with one.
        """
        if metric.name is None:
            return self.names.get(metric.alias) if metric.alias is not None and trusts_aliases else None
        if metric.name in self.datatypes or metric.datatype is not None or type(metric.value) is not int:
            return metric.name
        return None

    def metrics(self) -> list[tuple[str, int | None, int | None]]:
        """Return (name, datatype, alias) of each metric."""
        aliases = {name: alias for alias, name in self.names.items()}
        return [(name, datatype, aliases.get(name)) for name, datatype in self.datatypes.items()]


@dataclass(slots=True)
class Node:
    """One edge node. `tables`: by device, "" for the node itself.

    `is_certain`: False after a gap in the sequence, in which a birth may have been lost. `behind_ns`: how long after
    its timestamp the newest message was received. `requested_ns`: when the node was last asked for its births.
    """

    alive: bool = False
    bd_seq: int | None = None
    seq: int | None = None
    is_certain: bool = True
    behind_ns: int = 0
    tables: dict[str, Table] = field(default_factory=dict)
    requested_ns: Instant | None = None
    request_wait_ns: int = REQUEST_EVERY

    @classmethod
    def restored(cls, births: str, position: str) -> "Node":
        """Return a node as it was saved, in `LAYOUT`."""
        saved = json.loads(position)
        tables = {device: Table(map(tuple, metrics)) for device, metrics in json.loads(births).items()}
        return cls(
            saved["alive"], saved["bd_seq"], saved["seq"], saved["certain"], saved["behind_ns"], tables
        )

    def births(self) -> str:
        """Return what its births said, to be saved."""
        return _json({device: table.metrics() for device, table in self.tables.items()})

    def position(self) -> str:
        """Return where it is in its sequence of messages, to be saved."""
        return _json(
            {
                "alive": self.alive,
                "bd_seq": self.bd_seq,
                "seq": self.seq,
                "certain": self.is_certain,
                "behind_ns": self.behind_ns,
            }
        )

    def count(self) -> int:
        """Return the number of its metrics, with those of its devices."""
        return sum(len(table.datatypes) for table in self.tables.values())


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


def is_command(levels: Sequence[str]) -> bool:
    """Tell whether a topic is one of commands or of the state of a host, which are not for us."""
    return levels[1:2] == ["STATE"] or levels[2:3] in (["NCMD"], ["DCMD"])


def parse_topic(levels: Sequence[str]) -> tuple[NodeId, str, str]:
    """Return node, kind of message and device of a topic (section 4.1). Raises Rejected("topic")."""
    message = levels[2] if len(levels) in (4, 5) else ""
    if (
        message not in _MESSAGES
        or message.startswith("D") != (len(levels) == 5)
        or "" in levels
        or "\0" in "".join(levels)
    ):
        raise Rejected(
            "topic",
            f"{'/'.join(levels)[:200]!r}: expected <namespace>/<group>/<message>/<node> or …/<node>/<device>",
        )
    if max(map(len, levels)) > MAX_NAME_CHARACTERS:
        raise Rejected(
            "topic", f"{'/'.join(levels)[:200]!r}…: a level of more than {MAX_NAME_CHARACTERS} characters"
        )
    return NodeId(levels[0], levels[1], levels[3]), message, levels[4] if len(levels) == 5 else ""


def _json(value: object) -> str:
    return json.dumps(value, separators=(",", ":"))
