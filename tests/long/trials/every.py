"""All trials by name, in the order in which they run."""

from tests.long.trials import backlog, broker, database, disk, kills, month, power, times
from tests.long.trials.trial import Trial

_ALL = (kills, power, disk, database, broker, times, backlog, month)
EVERY: dict[str, Trial] = {one.TRIAL.name: one.TRIAL for one in _ALL}
