"""A disk that fills up under the running processor: what cannot be written is not acknowledged, and nothing is lost."""

import time
from collections import Counter
from functools import partial
from pathlib import Path

from strikewatch.engine.self_alerts import DISK_FULL
from strikewatch.sinks.settings import decode_secret
from tests.broker import Broker
from tests.disk import SmallDisk
from tests.long.trials.one_spot import OneSpotWork
from tests.long.trials.trial import Line, Part, Trial, broken, one_line
from tests.receiver import Receiver
from tests.service.processor import SECRET, Gateway, Processor, until

AGAIN_S = 1.5
"""A commit that was refused has been tried again by then."""


def full(folder: Path, reserve_mib: float, *, killed: bool) -> Line:
    """Fill the disk, and free it later while the processor waits or after it was killed."""
    unstored = killed and not reserve_mib  # what was sent had never found room: it died with the process
    place = folder / "processor"
    place.mkdir(parents=True)
    (folder / "secret").write_text(SECRET)
    with (
        SmallDisk(folder / "disk", mib=24) as disk,
        Broker(folder) as broker,
        Receiver(decode_secret(SECRET)) as ward,
        Receiver(decode_secret(SECRET)) as office,
    ):
        (place / "strikewatch.db").symlink_to(disk.folder / "watch.db")
        processor = Processor(
            place,
            broker,
            office.url,
            store={"path": str(disk.folder / "watch.db"), "reserve_mib": reserve_mib},
            recording={"folder": str(disk.folder / "recordings")},
            heartbeat={
                "url": ward.url,
                "secret_file": str(folder / "secret"),
                "allow_private": ["127.0.0.0/8"],
                "every_s": 1.0,
            },
        ).start()
        gateway = Gateway(broker)
        work = OneSpotWork(gateway)
        with gateway, processor:
            work.rest(5)
            work.wait_until_processed(processor)
            disk.fill()
            seconds = 0
            used_up = 2 if reserve_mib else 1  # refused first for want of the reserve, which is then given up
            while len(processor.lines("commit_refused")) < used_up:
                work.rest(1)
                seconds += 1
                time.sleep(0.02)
            if reserve_mib:
                until(lambda: _disk_warnings(ward))
            work.fire(20)
            work.rest(10)
            until(lambda: _disk_alerts(office)["raised"])
            time.sleep(AGAIN_S)
            early = len(_hammer_alerts(processor))
            if killed:
                processor.kill()
            disk.free()
            if killed:
                processor.start()
            if not unstored:
                until(lambda: _disk_alerts(office)["cleared"])
            wrong = work.errors(processor, disk.folder / "recordings")
            reported = processor.lines("disk_full")
            taken = bool(processor.lines("commit_succeeded"))
            sent = _disk_alerts(office)
            stored = [one for one in processor.alerts() if one["fault"] == DISK_FULL.name]
    return Line(
        f"filled, reserve of {reserve_mib:g} MiB, {'killed while full' if killed else 'freed while it waits'}",
        {
            "seconds_of_data_until_full": seconds,
            "log_lines_about_it": len(reported),
            "heartbeats_that_warn": len(_disk_warnings(ward)),
            "disk_full_raised": sent["raised"],
            "disk_full_cleared": sent["cleared"],
            **wrong,
        },
        broken(
            **wrong,
            alerts_before_there_was_room=early,
            full_disk_not_logged=not reported,
            disk_full_not_raised_once=sent["raised"] != 1,
            disk_full_not_cleared_once=sent["cleared"] != (0 if unstored else 1),
            disk_full_not_stored_once=len(stored) != (0 if unstored else 1),
            posts_repeated=len(office.received) - len({one.headers["webhook-id"] for one in office.received}),
            did_not_continue_by_itself=not (taken or killed),
        ),
    )


def _disk_warnings(ward: Receiver) -> list[str]:
    """Return the disk warnings in the heartbeats."""
    data = [one.event["data"]["trouble"] for one in ward.received if one.event is not None]
    return [trouble for trouble in data if trouble and "disk full" in trouble]


def _disk_alerts(office: Receiver) -> Counter[str]:
    """Return the deliveries about the disk at the endpoint, by step."""
    events = [one.event for one in office.received if one.event is not None]
    return Counter(
        str(event["type"]).rpartition(".")[2] for event in events if event["data"]["fault"] == DISK_FULL.name
    )


def _hammer_alerts(processor: Processor) -> list[object]:
    """Return the alerts of hammers."""
    return [one for one in processor.alerts() if one["hammer"]]


def parts(scale: float) -> dict[str, Part]:
    """Cases without a reserve or with a kill are part of the full trial only."""
    cases = [(1.0, False), *([(0.0, True), (0.0, False), (1.0, True)] if scale >= 1 else [])]
    return {
        f"{'reserve' if reserve_mib else 'no reserve'}{', killed' if killed else ''}": partial(
            one_line, run=partial(full, reserve_mib=reserve_mib, killed=killed)
        )
        for reserve_mib, killed in cases
    }


TRIAL = Trial(
    "disk",
    "on a full disk nothing is acknowledged or lost, an alert reports it, and work continues by itself",
    parts,
    0.1,
)
