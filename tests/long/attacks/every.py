"""All attacks by name, in the order in which they run."""

from tests.long.attacks import backlog, doors, flips, invented, pending, poison, session, shapes, webhook
from tests.long.attacks.attack import Attack

_ROOMS = (session, shapes, pending, flips, invented, poison, doors, webhook, backlog)
EVERY: dict[str, Attack] = {one.name: one for room in _ROOMS for one in room.ATTACKS}
