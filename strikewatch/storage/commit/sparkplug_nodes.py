"""The edge nodes of Sparkplug sources, as the database keeps them: one row for each source and node."""

from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import Connection, bindparam, delete, select, update

from strikewatch.sources.decode.sparkplug import LAYOUT, NodeChanges, NodeId, Nodes
from strikewatch.storage.commit.prepared import PreparedWrite, upsert
from strikewatch.storage.schema.tables import sparkplug_nodes

_c: Final = sparkplug_nodes.c
_KEY: Final = ("source", "namespace", "group_id", "node_id")
_IS_NODE: Final = [_c[name] == bindparam(f"of_{name}") for name in _KEY]
_NODE: Final = upsert(sparkplug_nodes, _KEY)
_POSITION: Final = PreparedWrite(
    lambda _into: update(sparkplug_nodes).where(*_IS_NODE).values(position=bindparam("new_position")),
    [*(f"of_{name}" for name in _KEY), "new_position"],
)
_REMOVE: Final = delete(sparkplug_nodes).where(*_IS_NODE)


def write_nodes(connection: Connection, changes: Mapping[str, NodeChanges]) -> None:
    """Write the changes of each source's nodes, in the step's transaction."""
    for source, (changed, removed) in changes.items():
        for each in removed:
            connection.execute(_REMOVE, _key("of_", source, each))
        _NODE.run(
            connection,
            [
                {**_key("", source, each), "layout": LAYOUT, "births": births, "position": position}
                for each, births, position in changed
                if births is not None
            ],
        )
        _POSITION.run(
            connection,
            [
                {**_key("of_", source, each), "new_position": position}
                for each, births, position in changed
                if births is None
            ],
        )


def restore_nodes(connection: Connection, source: str, nodes: Nodes) -> None:
    """Restore a source's nodes as the last committed step left them."""
    query = select(_c.namespace, _c.group_id, _c.node_id, _c.layout, _c.births, _c.position).where(
        _c.source == source
    )
    for namespace, group, node, layout, births, position in connection.execute(query):
        nodes.restore(NodeId(namespace, group, node), layout, births, position)


def _key(prefix: str, source: str, node: NodeId) -> dict[str, Any]:
    return dict(zip((f"{prefix}{name}" for name in _KEY), (source, *node), strict=True))
