"""What a gateway would send of a simulated shift: a table with the columns of a recorded shift."""

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.ndimage import uniform_filter1d
from scipy.signal import lfilter

from tests.physics.breaker import CONTROL_S, GRID_S
from tests.physics.work import Truth

START = pd.Timestamp("2026-03-04T07:00:00Z")

FEEDS: dict[str, tuple[float, bool]] = {
    "10Hz_mean": (10, True),
    "10Hz": (10, False),
    "20Hz": (20, False),
    "5Hz": (5, False),
    "2Hz": (2, False),
    "1Hz_mean": (1, True),
    "1Hz": (1, False),
    "100Hz": (100, False),
    "200Hz": (200, False),
    "500Hz": (500, False),
    "1000Hz": (1000, False),
}
"""Name: (rows per second, whether pressure is the mean over the step before the row)."""

OIL_EVERY_S = 5.0
RPM_EVERY_S = 1.0


def feed(truth: Truth, name: str, *, engine_rpm: bool = True) -> pd.DataFrame:
    """Return time, hammer, active, pressure_bar, oil_c (every 5 s) and, on request, engine_rpm (every second)."""
    hz, averaged = FEEDS[name]
    rng = np.random.default_rng([truth.seed, 3, round(hz), averaged])
    step = round(1 / hz / GRID_S)
    sensor = truth.hammer.sensor
    keep = float(np.exp(-GRID_S / sensor.lag_s))
    fine = lfilter([1 - keep], [1, -keep], truth.run.pressure_bar.astype(float))
    fine += rng.normal(0, sensor.noise_bar, fine.size)
    rows = np.arange(step, fine.size, step)
    if averaged:
        sums = np.concatenate([[0.0], np.cumsum(fine)])
        pressure = (sums[rows] - sums[rows - step]) / step
    else:
        pressure = fine[rows]
    pressure = np.round((pressure + sensor.offset_bar) / sensor.resolution_bar) * sensor.resolution_bar
    control = rows // round(CONTROL_S / GRID_S)
    oil = np.round(truth.oil_c[control].astype(float), 1)
    oil[np.arange(rows.size) % max(1, round(OIL_EVERY_S * hz)) != 0] = np.nan
    table = pd.DataFrame(
        {
            "time": START + pd.to_timedelta(rows * round(GRID_S * 1e6), unit="us"),
            "hammer": "HB-01",
            "active": truth.active[control].astype(bool),
            "pressure_bar": np.maximum(pressure, 0.0),
            "oil_c": oil,
        }
    )
    if engine_rpm:
        rpm = np.round((truth.engine_rpm[control] + rng.normal(0, 3, rows.size)) / 0.125) * 0.125
        rpm[np.arange(rows.size) % max(1, round(RPM_EVERY_S * hz)) != 0] = np.nan
        table["engine_rpm"] = rpm
    return table


def seconds(time: pd.Timestamp | str) -> float:
    """Seconds of an instant (an alert's onset, say) since the shift began."""
    return (pd.Timestamp(time) - START).total_seconds()


def varied(truth: Truth) -> Truth:
    """Return the shift with other pulses and another drift of pressure than its model gives.

        p' = (slow + scale * (p - slow)) * exp(sway)

    slow: mean over one loaded blow; sway: a first-order autoregressive process (Ornstein-Uhlenbeck). Scale, deviation
    and time constant are drawn by the seed of the shift; all figures are invented. So the weights of the score do not
    depend on the pulses and the drift of the models.
    """
    rng = np.random.default_rng([truth.seed, 7])
    scale = float(np.exp(rng.uniform(np.log(0.5), np.log(2.5))))
    deviation = float(np.exp(rng.uniform(np.log(0.004), np.log(0.05))))
    tau_s = float(np.exp(rng.uniform(np.log(0.5), np.log(8.0))))
    pressure = truth.run.pressure_bar.astype(float)
    blow = max(1, round(60.0 / truth.hammer.blows_per_min / GRID_S))
    slow = uniform_filter1d(pressure, blow, mode="nearest")
    keep = float(np.exp(-CONTROL_S / tau_s))
    drawn = deviation * np.sqrt(1 - keep**2) * rng.standard_normal(truth.active.size)
    sway = lfilter([1.0], [1.0, -keep], drawn)
    steps = round(CONTROL_S / GRID_S)
    active = np.repeat(truth.active.astype(bool), steps)[: pressure.size]
    changed = np.where(active, slow + scale * (pressure - slow), pressure)
    changed *= np.exp(np.repeat(sway, steps)[: pressure.size])
    return replace(truth, run=truth.run._replace(pressure_bar=np.maximum(changed, 0.0).astype(np.float32)))
