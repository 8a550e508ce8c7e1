"""All trials by name, in the order in which they run."""

from tests.trials import backlog, broker, database, disk, kills, month, power
from tests.trials.trial import Trial

_ALL = (kills.TRIAL, power.TRIAL, disk.TRIAL, database.TRIAL, broker.TRIAL, backlog.TRIAL, month.TRIAL)
EVERY: dict[str, Trial] = {one.name: one for one in _ALL}
