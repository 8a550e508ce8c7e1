"""The settings of hammers, and the records of parameters that the compiled detectors take from them.

Hammers with equal settings share one profile: most sites have a few models of breaker, not one for each hammer.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from strikewatch.core.batch import Key
from strikewatch.detectors import firing, pose
from strikewatch.detectors.base import DetectorSettings
from strikewatch.detectors.registry import DETECTORS

HammerSettings = Mapping[str, DetectorSettings]
"""The settings of one hammer: by detector name, `firing` for the firing signal, and `pose` for the carrier's arm."""

_DTYPES: Final[Mapping[str, np.dtype[Any]]] = {
    "firing": firing.PARAMS,
    pose.NAME: pose.PARAMS,
    **{d.name: d.params_dtype for d in DETECTORS},
}


@dataclass(frozen=True, slots=True)
class Profile:
    """Settings that hammers share, with the index of their records of parameters and the horizons by detector, ns."""

    settings: HammerSettings
    slot: int
    horizons: Mapping[str, int]


class Profiles(dict[Key, Profile]):
    """The profile of each hammer, made when it is first asked for.

    Args:
        settings_of: returns a hammer's settings; called once per hammer.
        set_params: called with the arrays of parameters, by detector, whenever these are new arrays.
    """

    def __init__(
        self,
        settings_of: Callable[[Key], HammerSettings],
        set_params: Callable[[Mapping[str, Any]], None],
    ) -> None:
        self._settings_of = settings_of
        self._set_params = set_params
        self._by_params: dict[bytes, list[Profile]] = {}
        self._count = 0
        self.params: dict[str, Any] = {name: np.zeros(0, dtype) for name, dtype in _DTYPES.items()}
        """By detector, the records of parameters by slot."""

    def __missing__(self, key: Key) -> Profile:
        profile = self[key] = self._shared(self._settings_of(key))
        return profile

    def configure(self, key: Key, settings: HammerSettings) -> None:
        """Change the settings of a hammer."""
        self[key] = self._shared(settings)

    def _shared(self, settings: HammerSettings) -> Profile:
        """Return the profile of these settings."""
        params = dict(_params(settings))
        alike = self._by_params.setdefault(b"".join(own.tobytes() for own in params.values()), [])
        for profile in alike:
            if profile.settings is settings or profile.settings == settings:
                return profile
        slot = self._count
        self._count += 1
        if slot == len(self.params["firing"]):
            for name, records in self.params.items():
                self.params[name] = np.zeros(slot + max(4, slot // 2), records.dtype)
                self.params[name][:slot] = records
            self._set_params(self.params)
        for name, own in params.items():
            self.params[name][slot] = own[0]
        alike.append(Profile(settings, slot, {d.name: d.horizon(settings[d.name]) for d in DETECTORS}))
        return alike[-1]


def _params(settings: HammerSettings) -> Iterator[tuple[str, Any]]:
    """Yield the name and the record [1] of each detector's parameters, of the firing signal's and of the arm's."""
    signal = settings["firing"]
    assert isinstance(signal, firing.Settings)
    yield "firing", np.array([(signal.on_bar, signal.off_bar)], firing.PARAMS)
    yield pose.NAME, np.array([pose.params(settings[pose.NAME])], pose.PARAMS)
    for detector in DETECTORS:
        yield detector.name, np.array([detector.params(settings[detector.name])], detector.params_dtype)
