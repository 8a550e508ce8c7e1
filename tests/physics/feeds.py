"""What a gateway would send of a shift: a table with the columns of a recorded shift, and its labels beside."""

import numpy as np
import pandas as pd
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
    """Columns time, hammer, active, pressure_bar, oil_c (every 5 s) and, if wanted, engine_rpm (every
    second).
    """
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
