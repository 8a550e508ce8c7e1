"""`strikewatch alerts` and `hammer`: what people do with alerts and hammers, in plain words or as JSON."""

import json
import time
from argparse import Namespace
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any, Final

from rich.console import Console

from strikewatch.cli.rendering.alerts import sentence, show_alerts, show_history, show_muted
from strikewatch.core import instant
from strikewatch.core.instant import Instant, seconds
from strikewatch.engine.lifecycle import ACTIVE, OPEN, STATES
from strikewatch.service.time_parsing import moment, told
from strikewatch.settings.tree import Settings, load
from strikewatch.storage.actions.alerts import Desk, Done
from strikewatch.storage.engines.shared import Beside
from strikewatch.storage.queries.alerts import Filter, Listed, Order
from strikewatch.storage.queries.muted import Mute

ENDED: Final = 200
"""Ended alerts listed where no limit is given, the gravest first."""


def show_list(options: Namespace) -> int:
    """The alerts that fit, all active ones among them; and what is muted."""
    now = time.time_ns()
    settings = load(options.config)
    with _desk(settings) as desk:
        muted = [one for one in desk.muted(settings.alarms.suppressed) if _fits(one, options)]
        found, total = ([], 0) if options.muted else _found(desk, options, now)
    if options.json:
        for one in muted if options.muted else found:
            _print(one.json())
        return 0
    console = _console()
    if not options.muted:
        show_alerts(console, found, total=total)
    if muted or options.muted:
        show_muted(console, muted)
    return 0


def _found(desk: Desk, options: Namespace, now: Instant) -> tuple[list[Listed], int]:
    """What to list, and how many fit in all."""
    states = {None: None, "any": STATES}.get(options.state, (options.state,))
    wanted = Filter(
        options.site,
        options.hammer,
        options.fault,
        options.operator,
        options.priority,
        None if options.since is None else moment(options.since, now, back=True),
        states,
    )
    order: Order = "gravity" if states is None else "newest"
    if states is None and options.limit is None:
        found = desk.alerts(replace(wanted, states=ACTIVE), None, order)
        found += desk.alerts(replace(wanted, states=OPEN - ACTIVE), ENDED, order)
    else:
        found = desk.alerts(wanted, options.limit or ENDED, order)
    return found, desk.count(wanted)


def _fits(mute: Mute, options: Namespace) -> bool:
    """Whether a mute can hold back what is asked for."""
    asked = ((mute.site, options.site), (mute.hammer, options.hammer), (mute.fault, options.fault))
    return all(own is None or wanted in (None, own) for own, wanted in asked) and (
        mute.site is not None or options.site is None
    )


def acknowledge(options: Namespace) -> int:
    with _desk(load(options.config)) as desk:
        done = desk.acknowledge(
            options.alert, by=options.by, comment=options.comment, now=time.time_ns(), site=options.site
        )
    return _say(options, done, "Acknowledged", "It needs no acknowledgement (any more)")


def shelve(options: Namespace) -> int:
    now = time.time_ns()
    until = moment(options.until, now)
    with _desk(load(options.config)) as desk:
        done = desk.shelve(
            options.alert, until=until, by=options.by, reason=options.reason, now=now, site=options.site
        )
    assert done.alert is not None
    what = f"{done.alert.record['fault']} of {done.key[1]}, up to {done.alert.record['priority']} priority"
    return _say(options, done, f"Shelved until {told(until)} UTC: {what}", "No alert of it stands now")


def unshelve(options: Namespace) -> int:
    with _desk(load(options.config)) as desk:
        done = desk.unshelve(
            options.alert, by=options.by, reason=options.reason, now=time.time_ns(), site=options.site
        )
    return _say(options, done, "Shelving ended", "No alert of it was shelved")


def history(options: Namespace) -> int:
    with _desk(load(options.config)) as desk:
        listed = desk.alert(options.alert, options.site)
        lines = desk.history(listed.record["id"], listed.record["site"])
    if options.json:
        for line in lines:
            _print(line)
    else:
        show_history(_console(), listed, lines)
    return 0


def out_of_service(options: Namespace) -> int:
    now = time.time_ns()
    until = None if options.until is None else moment(options.until, now)
    with _desk(load(options.config)) as desk:
        done = desk.out_of_service(
            options.hammer, by=options.by, reason=options.reason, until=until, now=now, site=options.site
        )
    ends = "until it is put in service" if until is None else f"until {told(until)} UTC"
    return _say_hammer(
        options, done, f"is out of service {ends}", None if until is None else instant.text(until)
    )


def in_service(options: Namespace) -> int:
    with _desk(load(options.config)) as desk:
        done = desk.in_service(
            options.hammer, by=options.by, reason=options.reason, now=time.time_ns(), site=options.site
        )
    return _say_hammer(options, done, "is in service", None)


def end_shelving(options: Namespace) -> int:
    with _desk(load(options.config)) as desk:
        shelved = any(
            (one.hammer, one.fault) == (options.hammer, options.fault) and options.site in (None, one.site)
            for one in desk.muted(())
        )
        done = desk.end_shelving(
            options.hammer,
            options.fault,
            by=options.by,
            reason=options.reason,
            now=time.time_ns(),
            site=options.site,
        )
    site, hammer = done.key
    if options.json:
        _print({"site": site, "hammer": hammer, "fault": options.fault, "changed": done.changed})
    else:
        many = "1 active alert" if done.changed == 1 else f"{done.changed} active alerts"
        said = f"Shelving ended; {many} changed." if shelved else "It was not shelved."
        _console().print(f"{options.fault} of {hammer} at {site}: {said}")
    return 0


@contextmanager
def _desk(settings: Settings) -> Iterator[Desk]:
    with Beside(settings.store.where) as place:
        yield Desk(place, seconds(settings.alarms.longest_shelf_h * 3600))


def _say(options: Namespace, done: Done, changed: str, unchanged: str) -> int:
    """What came of a deed, and how the alert stands now."""
    assert done.alert is not None
    if options.json:
        _print({**done.alert.json(), "changed": done.changed})
    else:
        console = _console()
        console.print(f"{changed}." if done.changed or changed.startswith("Shelved") else f"{unchanged}.")
        console.print(sentence(done.alert))
    return 0


def _say_hammer(options: Namespace, done: Done, what: str, until: str | None) -> int:
    site, hammer = done.key
    if options.json:
        service = what.split(" until")[0].removeprefix("is ").replace(" ", "_")
        _print({"site": site, "hammer": hammer, "service": service, "until": until, "changed": done.changed})
    else:
        many = "1 open alert" if done.changed == 1 else f"{done.changed} open alerts"
        _console().print(f"{hammer} at {site} {what}; {many} changed.")
    return 0


def _console() -> Console:
    return Console(highlight=False, soft_wrap=False)


def _print(one: dict[str, Any]) -> None:
    print(json.dumps(one, ensure_ascii=False))
