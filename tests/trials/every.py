"""All trials by name, in the order in which they run."""

from tests.trials import broker, kills, power
from tests.trials.trial import Trial

EVERY: dict[str, Trial] = {one.name: one for one in (kills.TRIAL, power.TRIAL, broker.TRIAL)}
