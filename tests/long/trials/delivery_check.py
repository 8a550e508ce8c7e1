"""Check what a webhook receiver got against the alerts that a replay finds."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from tests.receiver import Received

COMPARED_FIELDS = ("fault", "hammer", "operator", "priority", "onset", "cleared")
"""Fields of a record that do not depend on when the alert was found."""
RANK = {"raised": 0, "escalated": 1, "cleared": 2}

Record = Mapping[str, Any]


class DeliveryCheck(NamedTuple):
    """Counts of delivery attempts by outcome, and of alerts whose deliveries are wrong.

    `repeated`: messages accepted more than once under the same `webhook-id`. `under_two_ids`: steps sent under more
    than one id. `out_of_order`: cleared without raised, or a step (repeated or not) after a later one.
    """

    accepted: int
    refused: int
    repeated: int
    in_digests: int
    under_two_ids: int
    out_of_order: int
    missing: int
    unexpected: int
    different: int


def check_deliveries(
    received: Sequence[Received], wanted: Mapping[str, Record], withdrawn: set[str]
) -> DeliveryCheck:
    """`wanted` and `withdrawn` are by id: what a replay finds, and what was told too early and accepted back."""
    accepted = [message for message in received if message.status == 200 and message.event is not None]
    names: dict[tuple[str, str], set[str]] = {}
    steps: dict[str, list[str]] = {}
    last: dict[str, Record] = {}
    seen_names: set[str] = set()
    for message in accepted:
        for kind, record in _events_in(message.event or {}):
            names.setdefault((record["id"], kind), set()).add(message.name)
            if kind in RANK:
                steps.setdefault(record["id"], []).append(kind)
            if kind != "digest" and message.name not in seen_names:
                last[record["id"]] = record
        seen_names.add(message.name)
    listed = {alert for alert, kind in names if kind.startswith("listed")}
    delivered = last.keys()
    return DeliveryCheck(
        accepted=len(accepted),
        refused=len(received) - len(accepted),
        repeated=len(accepted) - len(seen_names),
        in_digests=len(listed),
        under_two_ids=sum(len(message) > 1 for message in names.values()),
        out_of_order=sum(not _ordered(alert in listed, kinds) for alert, kinds in steps.items()),
        missing=len(wanted.keys() - delivered),
        unexpected=len(delivered - wanted.keys() - withdrawn),
        different=sum(
            any(last[alert][name] != wanted[alert][name] for name in COMPARED_FIELDS)
            for alert in delivered & wanted.keys()
        ),
    )


def _ordered(in_a_digest: bool, kinds: list[str]) -> bool:
    """Return whether the steps are in order, and begin with raised unless a digest listed the alert."""
    ranks = [RANK[kind] for kind in kinds]
    return ranks == sorted(ranks) and (in_a_digest or ranks[0] == 0)


def _events_in(event: Mapping[str, Any]) -> Iterator[tuple[str, Record]]:
    """(what is told, the record): each of them once, under message name."""
    data, kind = event["data"], event["type"].rsplit(".", 1)[-1]
    yield kind, data if kind != "digest" else {"id": f"{data['id']} {data['number']}"}
    for record in data["alerts"] if kind == "digest" else ():
        yield "listed as standing" if record["cleared"] is None else "listed as over", record
