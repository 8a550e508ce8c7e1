"""A source of Sparkplug B: each metric of a message is a record with `name`, `value` and a time."""

from collections.abc import Container
from typing import Final

from strikewatch.core.batch import Key
from strikewatch.core.instant import Instant
from strikewatch.errors import Rejected
from strikewatch.sources.decode import strict_json
from strikewatch.sources.mapping.collector import Collector
from strikewatch.sources.mapping.message import Message
from strikewatch.sources.mapping.patterns import words_in
from strikewatch.sources.mapping.source import Route, Source
from strikewatch.sources.mapping.tables import SourceTable, TimeTable

_TIME: Final = TimeTable.model_validate({"at": "@.time_ns", "as": "ns"})


class SparkplugSource(Source):
    """A source of Sparkplug B. `nodes`: what the births said; part of the state to save with each step."""

    def __init__(self, name: str, table: SourceTable) -> None:
        own = {"name": table.name or "@.name", "value": table.value or "@.value", "time": table.time or _TIME}
        super().__init__(name, table.model_copy(update=own))
        from strikewatch.sources.decode.sparkplug import Nodes  # loads protobuf

        self.nodes = Nodes(table.rebirth)
        self._needs_device = "device" in words_in(table.site) + words_in(table.hammer)

    def route(self, topic: str) -> Route | None:
        if not any(each.match(topic) is not None for each in self.topics):
            return None
        levels = topic.split("/")
        places = (("group", 1), ("node", 3), ("device", 4))
        words = {word: levels[k] for word, k in places if k < len(levels)}
        return Route(self, topic, words, None, None)

    def machine(self, route: Route, prefix: str) -> str:
        """Return the node: its messages have one sequence, whatever their devices."""
        del prefix
        return "\0".join([self.name, route.words.get("group", ""), route.words.get("node", "")])

    def collect(
        self,
        route: Route,
        payload: bytes,
        received: Instant,
        latest: Instant,
        into: Collector,
        *,
        retained: bool = False,
        held: Container[Key] = (),
    ) -> None:
        into.keys = []
        if retained and self.table.retained == "skip":
            into.pass_over("retained")
            return
        message = Message(self.shape, received, latest, held, into)
        try:
            if len(payload) > strict_json.MAX_BYTES:
                raise Rejected("too_large", f"payload: {len(payload)} bytes; at most {strict_json.MAX_BYTES}")
            taken = self.nodes.take(route.topic.split("/"), payload, received)
        except Rejected as error:
            message.reject(error, None)
            message.finish()
            return
        into.requests += [node.rebirth(received) for node in taken.requests]
        for what, count in taken.passed_over.items():
            into.pass_over(what, count=count)
        for problem in taken.rejected:
            message.reject(problem, None)
        for metric in taken.records:
            words = {"group": metric.group, "node": metric.node}
            if metric.device:
                words["device"] = metric.device
            elif self._needs_device:
                into.pass_over("device", metric.node[:64])
                continue
            record = metric._asdict()
            try:
                self._take(words, (record,), record, message)
            except Rejected as error:
                message.reject(Rejected(error.reason, f"{metric.name[:80]}: {error.detail}"), None)
        message.finish()
