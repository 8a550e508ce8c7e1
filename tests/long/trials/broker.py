"""A broker that falls silent, shuts us out, denies topics, keeps old messages, or sends things twice."""

import math
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from tests.broker import Broker, free_port
from tests.long.trials.trial import Line, Part, Trial, broken, one_line
from tests.long.trials.twice import twice
from tests.service.processor import Gateway, Processor, now_ns, until
from tests.service.test_running import ask
from tests.sources.test_mqtt_access import scripted

AGAIN_S = 60.0
"""Standing trouble is reported again after so long."""


def silent(folder: Path, keepalive_s: int) -> Line:
    """Stop the broker with SIGSTOP just after a message: the connection stays open and silent."""
    with Broker(folder) as broker:
        processor = Processor(folder / "processor", broker, mqtt={"keepalive_s": keepalive_s})
        gateway = Gateway(broker)
        try:
            processor.start()
            gateway.block("HB-01", now_ns(), 0.1, active=[False] * 10)
            until(lambda: processor.query("select count(*) from hammer_state") == [(1,)])
            broker.freeze()
            began = time.monotonic()
            (line,) = until(lambda: processor.lines("broker_lost"))
            noticed_s = time.monotonic() - began
            broker.thaw()
            until(lambda: len(processor.lines("broker_connected")) == 2)
            assert processor.stop() == 0
        finally:
            processor.end()
            broker.thaw()
            gateway.close()
    return Line(
        f"stopped (SIGSTOP) with a keepalive of {keepalive_s} s, then let go on",
        {"keepalive_s": keepalive_s, "noticed_s": noticed_s, "reported": line["problem"]},
        broken(s_more_than_twice_the_keepalive=max(0.0, noticed_s - 2 * keepalive_s)),
    )


def shut_out(folder: Path, watched_s: float) -> Line:
    """Use a wrong password for a while, then the right one."""
    password, port = folder / "password", free_port()
    password.write_text("wrong")
    mine = {"username": "processor", "password_file": str(password), "reconnect_min_s": 1.0}
    with Broker(folder, users={"processor": "right"}) as broker:
        processor = Processor(
            folder / "processor",
            broker,
            mqtt={**mine, "reconnect_max_s": 60.0},
            http={"enabled": True, "port": port},
        )
        with processor:
            processor.start(connected=False)
            (line,) = until(lambda: processor.lines("broker_lost"))
            time.sleep(watched_s)
            attempts = broker.log.count("New client connected") + broker.log.count("not authorised")
            ready = ask(port, "/readyz")
            again = len(processor.lines("broker_unreachable"))
            password.write_text("right")
            until(lambda: processor.lines("broker_connected"), 100.0)
            until(lambda: ask(port, "/readyz")[0] == 200)
            assert processor.stop() == 0
    may = 2 + math.floor(math.log2(1 + watched_s / 0.8))  # waits double from 0.8 s on, at the shortest
    return Line(
        f"a wrong password for {watched_s:g} s, then the right one",
        {"attempts": attempts, "attempts_allowed": may, "said_again": again, "reported": line["problem"]},
        broken(
            password_not_named="the password" not in line["problem"],
            not_said_again=again == 0,
            ready_all_the_same=ready != (503, {"ready": False, "reasons": ["the broker is not connected"]}),
            attempts_none=attempts == 0,
            attempts_too_many=max(0, attempts - may),
        ),
    )


def denied(folder: Path) -> Line:
    """Source: MQTT 3.1.1 section 3.9.3: 0x80 in a SUBACK is a failure, 0x01 a grant of QoS 1."""
    http = free_port()
    with scripted(bytes([0x20, 2, 0, 0]), bytes([0x90, 4, 0, 1, 0x80, 0x01])) as port:
        processor = Processor(
            folder / "processor",
            Broker(folder),
            mqtt={"port": port, "version": "3.1.1"},
            http={"enabled": True, "port": http},
        )
        with processor:
            processor.start()
            (line,) = until(lambda: processor.lines("subscription_refused"))
            ready = ask(http, "/readyz")
            assert processor.stop() == 0
    return Line(
        "a topic denied when asked for",
        {"reported": line["filter"], "ready": ", ".join(ready[1]["reasons"])},
        broken(
            topic_not_named=line["filter"] != "strikewatch/+/+/samples",
            ready_all_the_same=ready[1]["reasons"] != ["the broker denies a subscription"],
        ),
    )


def withheld(folder: Path) -> Line:
    """mosquitto grants topics that its access list denies, and then delivers nothing."""
    (folder / "password").write_text("right")
    mine = {"username": "processor", "password_file": str(folder / "password")}
    with (
        Broker(folder, users={"processor": "right"}, acl="user another\ntopic read #\n") as broker,
        Processor(folder / "processor", broker, mqtt=mine) as processor,
    ):
        processor.start()
        began = time.monotonic()
        until(lambda: processor.lines("no_messages"), 2 * AGAIN_S + 10)
        heard_s = time.monotonic() - began
        assert processor.stop() == 0
    return Line("topics granted and then withheld", {"noticed_s": heard_s})


def parts(scale: float) -> dict[str, Part]:
    """Cases that take a minute are part of the full trial only."""
    whole = scale >= 1
    made: dict[str, Callable[[Path], Line]] = {}
    if whole:
        made["withheld"] = withheld
        made["shut out"] = partial(shut_out, watched_s=AGAIN_S + 5)
    for keepalive_s in (15, 4) if whole else (3,):
        made[f"silent, {keepalive_s} s"] = partial(silent, keepalive_s=keepalive_s)
    made["twice"] = partial(twice, takeovers=round(30 * scale))
    made["denied"] = denied
    return {name: partial(one_line, run=one) for name, one in made.items()}


TRIAL = Trial(
    "broker",
    "silence is noticed within twice the keepalive, refusals are reported, what comes again changes nothing",
    parts,
    0.1,
)
