"""What a webhook's receiver was told, held against what a replay finds."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from tests.receiver import Received

SAME = ("fault", "hammer", "operator", "priority", "onset", "cleared")
"""What of a record does not depend on when it was found."""
RANK = {"raised": 0, "escalated": 1, "cleared": 2}

Record = Mapping[str, Any]


class Told(NamedTuple):
    """Attempts by what became of them, and what was wrong with what was told of alerts, counted in alerts.

    `repeated`: messages that were taken more than once, under the same `webhook-id`; `under_two_ids`: what was told
    under more than one; `out_of_order`: cleared without raised, or anything, repeats too, before what comes first.
    """

    taken: int
    not_taken: int
    repeated: int
    in_digests: int
    under_two_ids: int
    out_of_order: int
    untold: int
    told_in_excess: int
    told_otherwise: int


def told(received: Sequence[Received], wanted: Mapping[str, Record], withdrawn: set[str]) -> Told:
    """`wanted` and `withdrawn` are by id: what a replay finds, and what was told too early and taken back."""
    taken = [one for one in received if one.status == 200 and one.event is not None]
    names: dict[tuple[str, str], set[str]] = {}
    steps: dict[str, list[str]] = {}
    last: dict[str, Record] = {}
    seen: set[str] = set()
    for one in taken:
        for kind, record in _of(one.event or {}):
            names.setdefault((record["id"], kind), set()).add(one.name)
            if kind in RANK:
                steps.setdefault(record["id"], []).append(kind)
            if kind != "digest" and one.name not in seen:
                last[record["id"]] = record
        seen.add(one.name)
    listed = {alert for alert, kind in names if kind.startswith("listed")}
    told_of = last.keys()
    return Told(
        taken=len(taken),
        not_taken=len(received) - len(taken),
        repeated=len(taken) - len(seen),
        in_digests=len(listed),
        under_two_ids=sum(len(one) > 1 for one in names.values()),
        out_of_order=sum(not _ordered(alert in listed, kinds) for alert, kinds in steps.items()),
        untold=len(wanted.keys() - told_of),
        told_in_excess=len(told_of - wanted.keys() - withdrawn),
        told_otherwise=sum(
            any(last[alert][name] != wanted[alert][name] for name in SAME)
            for alert in told_of & wanted.keys()
        ),
    )


def _ordered(in_a_digest: bool, kinds: list[str]) -> bool:
    """In their order, what is repeated before anything later, and first of all raised, unless a digest said so."""
    ranks = [RANK[kind] for kind in kinds]
    return ranks == sorted(ranks) and (in_a_digest or ranks[0] == 0)


def _of(event: Mapping[str, Any]) -> Iterator[tuple[str, Record]]:
    """(what is told, the record): each of them once, under one name."""
    data, kind = event["data"], event["type"].rsplit(".", 1)[-1]
    yield kind, data if kind != "digest" else {"id": f"{data['id']} {data['number']}"}
    for record in data["alerts"] if kind == "digest" else ():
        yield "listed as standing" if record["cleared"] is None else "listed as over", record
