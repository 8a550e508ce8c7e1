"""Check what a webhook receiver got against the alerts that a replay finds."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from tests.receiver import Received

COMPARED_FIELDS = ("fault", "hammer", "operator", "priority", "onset", "cleared")
"""Fields of a record that do not depend on when the alert was found."""
STEPS = ("raised", "escalated", "cleared")
LISTED = ("listed as active", "listed as ended")
DIGEST = "digest"

Record = Mapping[str, Any]


class DeliveryCheck(NamedTuple):
    """Counts of delivery attempts by outcome, and of alerts whose deliveries are wrong.

    `repeated`: messages accepted more than once under the same `webhook-id`. `raised_again`: rounds of steps that begin
    after a clear, as when samples that come after a gap refute it; each round is checked by itself. `under_two_ids`: a
    step sent under more than one id, but for a clear that is sent again with another end. `out_of_order`: a round
    without raised, or a step (repeated or not) after a later one.
    """

    accepted: int
    refused: int
    repeated: int
    in_digests: int
    raised_again: int
    under_two_ids: int
    out_of_order: int
    missing: int
    unexpected: int
    different: int


class Delivery(NamedTuple):
    """An accepted message about an alert: the webhook id, what it said of the alert, and the alert's end if any."""

    name: str
    kind: str
    cleared: str | None


def check_deliveries(
    received: Sequence[Received], wanted: Mapping[str, Record], withdrawn: set[str]
) -> DeliveryCheck:
    """`wanted` and `withdrawn` are by id: what a replay finds, and what was sent too early and taken back."""
    accepted = [message for message in received if message.status == 200 and message.event is not None]
    deliveries: dict[str, list[Delivery]] = {}
    last: dict[str, Record] = {}
    late_repeats: set[str] = set()
    seen: set[str] = set()
    for message in accepted:
        for kind, record in _events_in(message.event or {}):
            delivery = Delivery(message.name, kind, record.get("cleared"))
            own = deliveries.setdefault(record["id"], [])
            if message.name not in seen:
                own.append(delivery)
                if kind != DIGEST:
                    last[record["id"]] = record
            elif kind in STEPS and delivery != [one for one in own if one.kind in STEPS][-1]:
                late_repeats.add(record["id"])
        seen.add(message.name)
    rounds = {alert: list(_rounds(own, STEPS)) for alert, own in deliveries.items()}
    listings = {alert: list(_rounds(own, LISTED)) for alert, own in deliveries.items()}
    listed = {alert for alert, found in listings.items() if found}
    disordered = {
        alert
        for alert, found in rounds.items()
        if not all(_ordered(alert in listed, kinds) for kinds in found)
    }
    return DeliveryCheck(
        accepted=len(accepted),
        refused=len(received) - len(accepted),
        repeated=len(accepted) - len(seen),
        in_digests=len(listed),
        raised_again=sum(max(len(found) - 1, 0) for one in (rounds, listings) for found in one.values()),
        under_two_ids=sum(
            not _each_once(own, [*rounds[alert], *listings[alert]]) for alert, own in deliveries.items()
        ),
        out_of_order=len(disordered | late_repeats),
        missing=len(wanted.keys() - last.keys()),
        unexpected=len(last.keys() - wanted.keys() - withdrawn),
        different=sum(
            any(last[alert][name] != wanted[alert][name] for name in COMPARED_FIELDS)
            for alert in last.keys() & wanted.keys()
        ),
    )


def _rounds(own: Sequence[Delivery], kinds: Sequence[str]) -> Iterator[list[str]]:
    """Yield the kinds of each round in order; another begins with the first kind after the last one."""
    found: list[str] = []
    for kind in (one.kind for one in own if one.kind in kinds):
        if found and (found[-1], kind) == (kinds[-1], kinds[0]):
            yield found
            found = []
        found.append(kind)
    if found:
        yield found


def _ordered(in_a_digest: bool, kinds: Sequence[str]) -> bool:
    """Return whether the steps are in order, and begin with raised unless a digest listed the alert."""
    ranks = [STEPS.index(kind) for kind in kinds]
    return ranks == sorted(ranks) and (in_a_digest or ranks[0] == 0)


def _each_once(own: Sequence[Delivery], rounds: Sequence[Sequence[str]]) -> bool:
    """Return whether no kind but an end occurs twice in a round, and no end twice in all."""
    starts = (*STEPS[:-1], LISTED[0])
    ends = [(one.kind, one.cleared) for one in own if one.kind in (STEPS[-1], LISTED[-1])]
    digests = [one for one in own if one.kind == DIGEST]
    return (
        len(set(ends)) == len(ends)
        and len(digests) <= 1
        and all(found.count(kind) <= 1 for found in rounds for kind in starts)
    )


def _events_in(event: Mapping[str, Any]) -> Iterator[tuple[str, Record]]:
    """Yield (what is said, the record) of each alert in an event, and of a digest its id and number."""
    data, kind = event["data"], event["type"].rsplit(".", 1)[-1]
    yield kind, data if kind != DIGEST else {"id": f"{data['id']} {data['number']}"}
    for record in data["alerts"] if kind == DIGEST else ():
        yield LISTED[record["cleared"] is not None], record
