"""Detect the misuse of hydraulic breakers, live over MQTT or in recorded shifts.

>>> import strikewatch
>>> alerts = strikewatch.replay("replay_data/quiet-bench")

`strikewatch.replay`, `load_shift`, `bouts`, `usage` and `review_frames` are the interface in Python; the exceptions
that they raise are exported here too. Importing this package loads neither pandas nor numba: each name is loaded at
its first use (PEP 562).
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from strikewatch.api import RecordedShift, bouts, load_shift, replay, review_frames, usage, use
    from strikewatch.errors import (
        BrokerError,
        DeliveryError,
        InputError,
        SettingsError,
        StoreError,
        StrikewatchError,
    )

    __version__: str

__all__ = [
    "BrokerError",
    "DeliveryError",
    "InputError",
    "RecordedShift",
    "SettingsError",
    "StoreError",
    "StrikewatchError",
    "__version__",
    "bouts",
    "load_shift",
    "replay",
    "review_frames",
    "usage",
    "use",
]


def __getattr__(name: str) -> Any:
    """Load a public name at its first use."""
    if name == "__version__":
        from importlib.metadata import version

        value: Any = version("strikewatch")
    elif name in __all__:
        from importlib import import_module

        home = "strikewatch.errors" if name.endswith("Error") else "strikewatch.api"
        value = getattr(import_module(home), name)
    else:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
