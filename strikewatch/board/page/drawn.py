"""A hammer's strip with the faults that the database knows of, drawn once for all who look."""

from typing import Final

from sqlalchemy import select

from strikewatch.board.page import ribbon
from strikewatch.board.page.ribbon import Mark
from strikewatch.board.page.view import View, clock
from strikewatch.board.scene import Scene, Watched
from strikewatch.deliver.filter import Sites
from strikewatch.model.batch import Key
from strikewatch.model.instant import Instant
from strikewatch.store.beside import Place
from strikewatch.store.tables import alerts

MARKS: Final = 300
"""Faults marked on one strip at most, the newest."""


class Drawing:
    def __init__(self, place: Place, scene: Scene, sites: Sites, view: View) -> None:
        self._place = place
        self._scene = scene
        self._sites = sites
        self._view = view

    def __call__(self, key: Key, seen: Watched, now: Instant) -> str:
        zone = self._sites.zone_of(key[0])
        window = self._scene.window(now)
        a = alerts.c
        wanted = (
            select(a.onset_ns, a.priority, a.fault)
            .where(a.site == key[0], a.onset_ns >= window[0], a.hammer == key[1])
            .order_by(a.onset_ns.desc())
            .limit(MARKS)
        )
        with self._place.read() as connection:
            found = connection.execute(wanted).all()
        marks = [
            Mark(at, priority, f"{clock(at, zone, now)} {self._view.fault(fault)}")
            for at, priority, fault in found
        ]
        return ribbon.draw(key[1], seen.strip, window, marks, seen.limits.oil_c, zone, self._view)
