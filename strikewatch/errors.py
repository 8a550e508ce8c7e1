"""The exceptions. Each names who must act, and its message says what to do.

StrikewatchError
├── SettingsError     who writes the settings: all mistakes at once, each with its path
├── InputError        who provides a recorded shift: the file, the row or column, the remedy
├── Rejected          who sends a payload (a gateway): counted and kept, never fatal
├── StoreError        who runs the machine: disk, permissions, a locked or foreign database
│   ├── StoreBlocked  the database refuses for now: nothing is lost, it is tried again
│   ├── StoreLost     the database cannot be used again by this process, which ends; a restart continues
│   └── Unstorable    the database refuses this data and no other: trying it again cannot help
├── BrokerError       who runs the broker or another instance: refused, taken over
├── Refused           who requested something about an alert or a hammer: why it cannot be done, and the remedy
│   └── Unknown       no alert or hammer has that name
└── DeliveryError     who runs the receiving endpoint: recorded with the attempt, retried
"""


class StrikewatchError(Exception):
    """The base class of all exceptions that this package raises."""


class SettingsError(StrikewatchError):
    """Settings are wrong. `problems` has all of them: (path, what is wrong and the remedy)."""

    def __init__(self, problems: list[tuple[str, str]]) -> None:
        self.problems = problems
        super().__init__("\n".join(f"{path}: {what}" for path, what in problems))


class InputError(StrikewatchError):
    """A recorded shift cannot be used. The message names the place and the remedy."""


class Rejected(StrikewatchError):  # noqa: N818 - the term of the field
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


class StoreBlocked(StoreError):  # noqa: N818 - like Rejected
    """The disk is full or read-only, or another program locks the database: the operation can be retried."""


class StoreLost(StoreError):  # noqa: N818 - likewise
    """The database is no longer the one that was opened, or its session has ended: retrying cannot help."""


class Unstorable(StoreError):  # noqa: N818 - likewise
    """The data breaks a constraint of the database or is out of range; other data can be stored."""


class BrokerError(StrikewatchError):
    """The MQTT broker refuses this client permanently, or another instance took over its session."""


class Refused(StrikewatchError):  # noqa: N818 - an answer, not a failure
    """A request about an alert or a hammer cannot be done now. The message says why, and the remedy."""


class Unknown(Refused):
    """No alert or hammer has that name, or more than one has it."""


class DeliveryError(StrikewatchError):
    """An endpoint did not take a delivery."""
