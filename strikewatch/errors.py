"""The exception tree. Each branch says who must act.

StrikewatchError
├── SettingsError     whoever wrote the settings: all mistakes at once, each with its path
├── InputError        whoever hands over a recorded shift: the file, the row or column, the remedy
├── Rejected          whoever sends a payload (a gateway): counted and kept, never fatal
├── StoreError        whoever runs the machine: disk, permissions, a locked or foreign database
│   ├── StoreBlocked  … that refuses for now, full, locked or read-only: nothing is lost, it is tried again
│   └── StoreLost     … of one that is gone for this process, which ends; started again it goes on
├── BrokerError       whoever runs the broker or another instance: refused, taken over
├── Refused           whoever asked something of an alert or a hammer: why it cannot be done, and the remedy
│   └── Unknown       … of one that is not there
└── DeliveryError     whoever runs the receiving endpoint: recorded with the attempt, retried
"""


class StrikewatchError(Exception):
    """The root of everything this package raises on purpose."""


class SettingsError(StrikewatchError):
    """One or more settings are wrong. `problems` holds every one as (path, what is wrong and the remedy)."""

    def __init__(self, problems: list[tuple[str, str]]) -> None:
        self.problems = problems
        super().__init__("\n".join(f"{path}: {what}" for path, what in problems))


class InputError(StrikewatchError):
    """A recorded shift cannot be used. The message names the place and the remedy."""


class Rejected(StrikewatchError):  # noqa: N818 - what the field calls it
    """A payload or a row breaks the contract. `reason` is a short stable word to count by, `detail` the place.

    `count`: how many objects it stands for.
    """

    def __init__(self, reason: str, detail: str, count: int = 1) -> None:
        self.reason = reason
        self.detail = detail
        self.count = count
        super().__init__(f"{reason}: {detail}")


class StoreError(StrikewatchError):
    """The database cannot be read or written."""


class StoreBlocked(StoreError):  # noqa: N818 - says what happened, as Rejected does
    """The disk is full or cannot be written, or another program holds the database: it can be tried again."""


class StoreLost(StoreError):  # noqa: N818 - likewise
    """The database is not the one that was opened any more, or its session has ended: trying again is of no use."""


class BrokerError(StrikewatchError):
    """The MQTT broker refuses us for good, or another instance took over our session."""


class Refused(StrikewatchError):  # noqa: N818 - it is an answer, not a fault
    """What was asked of an alert or a hammer cannot be done as things stand. Says why, and the remedy."""


class Unknown(Refused):
    """No alert or hammer goes by that name, or more than one does."""


class DeliveryError(StrikewatchError):
    """An endpoint did not take a delivery."""
