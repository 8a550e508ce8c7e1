"""`python -m tests.physics.fit`: WEIGHTS and CALIBRATION of `strikewatch.detectors.blank_firing.score`.

Both are fitted to labelled shifts of two models of breakers.

Weights: logistic regression with a ridge, by iteratively reweighted least squares, over every suspicion that the
detector has with its floor let down to `FLOOR`, raised at once. `PILOT` scores while these are collected, so that the
result does not depend on the weights in the code. Each kind of feed weighs the same, and so does each model of
breakers. What is known only in fast feeds (blow rate) is not fitted here.

Calibration: weights fitted to one model score the suspicions of the other, and a logistic regression on that score
gives the slope by which its log-odds must shrink. See `calibration`.
"""

import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import chain
from typing import Any, NamedTuple
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray

from strikewatch.core.batch import NO_ROWS, Batch, Key, Rows
from strikewatch.detectors.blank_firing import score
from strikewatch.detectors.blank_firing.state import TERMS
from strikewatch.engine.pipeline import Pipeline
from strikewatch.settings.faults import Faults
from strikewatch.sources.ordering import Reorderer
from tests.physics.feeds import START, feed, varied
from tests.physics.score import MODELS, Case, brier, calibration_error
from tests.physics.score import score as scored

KEY: Key = ("fennick-hollow", "HB-01")
FLOOR = 0.1
MINUTES = 60.0
TUNING = ("lumped", "conductance")
SEEDS = range(100, 116)
CASES = (
    *(Case(name) for name in ("20Hz", "10Hz_mean", "10Hz", "5Hz", "2Hz", "1Hz_mean", "1Hz")),
    *(Case(name, engine_rpm=False) for name in ("10Hz_mean", "10Hz", "2Hz", "1Hz_mean", "1Hz")),
    *(Case(name, throttle_change=True) for name in ("10Hz_mean", "10Hz", "5Hz", "1Hz_mean", "1Hz")),
    *(
        Case(name, engine_rpm=False, throttle_change=True)
        for name in ("10Hz_mean", "10Hz", "2Hz", "1Hz_mean", "1Hz")
    ),
)
RIDGE = 10.0
PILOT = (
    *(0.043, 1.033, 0.243, -0.754, 0.487, -0.374, -0.713, -1.178, -1.147, -0.159, -0.352, -0.185, 0.386),
    *(-0.735, 0.716, 0.43, -0.841, 0.64, -0.622, -0.769, 0.182, -1.97, -1.943, -1.169, 0.0, 0.0, 0.0),
)
"""Weights of an earlier fit, not calibrated."""
NOT_CALIBRATED = (1.0, 0.0, 0.0, 0.0)

Floats = NDArray[np.float64]


class Labelled(NamedTuple):
    """A suspicion: terms of its score, whether it is real, its model of breakers, its kind of feed."""

    terms: Floats
    real: bool
    model: str
    kind: str


def suspicions(table: Any, floor: float) -> list[tuple[float, float, tuple[float, ...]]]:
    """(onset, cleared, numbers of the evidence) of every suspicion in a feed."""
    faults = Faults.model_validate({"blank_firing": {"least_score": floor}})
    core, reorderer = Pipeline(lambda _key: faults.by_detector()), Reorderer("in_order")
    times = table["time"].astype("datetime64[ns, UTC]").astype("int64").to_numpy()
    names = [name for name in table.columns if name not in ("time", "hammer")]
    rows = Rows(times, {name: table[name].to_numpy(dtype=float) for name in names})
    end = int(times[-1])
    found = {}
    for portion in (
        reorderer.portion(KEY, reorderer.add_rows(KEY, rows)),
        reorderer.portion(KEY, NO_ROWS, end, closing=True),
    ):
        outcome = core.step(Batch([portion]))
        core.commit(outcome)
        for one in outcome.findings:
            if one.fault == "blank_firing":
                until = one.at if one.step == "cleared" else end
                found[one.onset] = (one.onset - START.value) / 1e9, (until - START.value) / 1e9, one.numbers
    return [found[onset] for onset in sorted(found)]


def terms(numbers: Sequence[float]) -> Floats:
    """[TERMS] of one suspicion: what each alone adds with a weight of 1."""
    evidence = np.array(numbers)
    sums = [score.weigh.py_func(evidence, alone)[0] for alone in np.eye(TERMS)]  # type: ignore[attr-defined]  # numba's
    return np.array(sums)


def fitted(x: Floats, real: Floats, weight: Floats, ridge: float = RIDGE) -> Floats:
    """Weights [n terms] that make `real` [n] likeliest given terms x [n, terms]; the first term has no ridge."""
    w = np.zeros(x.shape[1])
    penalty = np.full(x.shape[1], ridge)
    penalty[0] = 1e-6
    for _ in range(50):
        p = 1 / (1 + np.exp(-np.clip(x @ w, -30, 30)))
        curve = weight * np.maximum(p * (1 - p), 1e-6)
        step = np.linalg.solve(
            (x.T * curve) @ x + np.diag(penalty), x.T @ (weight * (real - p)) - penalty * w
        )
        w += step
        if np.abs(step).max() < 1e-8:
            break
    return w


def collected() -> list[Labelled]:
    """Every suspicion of the tuning models, as they are and `varied`, on all cores."""
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        jobs = [(model, seed) for seed in SEEDS for model in TUNING]
        return list(chain.from_iterable(pool.map(_of_hammer, *zip(*jobs, strict=True))))


def _of_hammer(model: str, seed: int) -> list[Labelled]:
    found: list[Labelled] = []
    with patch.multiple(score, WEIGHTS=PILOT, CALIBRATION=NOT_CALIBRATED, AT_ONCE=0.0):
        for changed in (False, True):
            truth = MODELS[model](seed, MINUTES, throttle_change=changed)
            for one, name in ((truth, model), (varied(truth), f"{model}, varied")):
                for case in CASES:
                    if case.throttle_change != changed:
                        continue
                    its = suspicions(feed(one, case.feed, engine_rpm=case.engine_rpm), FLOOR)
                    pairs = scored(one, [each[:2] for each in its]).pairs
                    found += [
                        Labelled(terms(each[2]), real, name, case.kind)
                        for each, (_, real) in zip(its, pairs, strict=True)
                    ]
    return found


def weights_of(labelled: Sequence[Labelled]) -> Floats:
    """Return weights [n]: each model and kind of feed weighs as its number of suspicions, at most 300."""
    keys = [(suspicion.model, suspicion.kind) for suspicion in labelled]
    count = {key: keys.count(key) for key in set(keys)}
    return np.array([min(1.0, 300.0 / count[key]) for key in keys])


def weights(labelled: Sequence[Labelled]) -> Floats:
    """WEIGHTS [TERMS]."""
    x, real = (
        np.array([suspicion.terms for suspicion in labelled]),
        np.array([float(suspicion.real) for suspicion in labelled]),
    )
    return fitted(x, real, weights_of(labelled))


def slope_of_two(slope_of_one: float) -> float:
    """Return the slope for weights fitted to two models, from that of weights fitted to one.

    Log-odds that scatter by variance v about their score shrink by 1 / sqrt(1 + pi v / 8) (MacKay, Neural Computation
    4, 1992). v is that of the new model and that of the mean of the fitted ones: 1 + 1/1 of one, 1 + 1/2 of two.
    """
    slope = min(1.0, max(0.1, slope_of_one))
    return float(1.0 / np.sqrt(1.0 + 0.75 * (slope**-2 - 1.0)))


def calibration(labelled: Sequence[Labelled]) -> tuple[float, ...]:
    """CALIBRATION: slope always, slow, noisy; offset."""
    other = {
        name: weights([suspicion for suspicion in labelled if not suspicion.model.startswith(name)])
        for name in TUNING
    }
    z = np.array([suspicion.terms @ other[suspicion.model.split(",")[0]] for suspicion in labelled])
    slow, noisy = np.array([suspicion.terms[10:12] for suspicion in labelled]).T
    x = np.column_stack([np.ones(len(labelled)), z, z * slow, z * noisy])
    real = np.array([float(suspicion.real) for suspicion in labelled])
    offset, always, by_slow, by_noisy = fitted(x, real, weights_of(labelled), ridge=1.0)
    slope = slope_of_two(always)
    return (
        slope,
        slope_of_two(always + by_slow) - slope,
        slope_of_two(always + by_noisy) - slope,
        float(offset),
    )


def main() -> None:
    labelled = collected()
    w, c = weights(labelled), calibration(labelled)
    slow, noisy = np.array([suspicion.terms[10:12] for suspicion in labelled]).T
    z = np.array([suspicion.terms for suspicion in labelled]) @ w
    p = 1 / (1 + np.exp(-(z * (c[0] + c[1] * slow + c[2] * noisy) + c[3])))
    keys = [(suspicion.model, suspicion.kind) for suspicion in labelled]
    for key in sorted(set(keys)):
        pairs = [
            (float(s), suspicion.real) for s, suspicion, k in zip(p, labelled, keys, strict=True) if k == key
        ]
        print(
            f"{key[0]:20} {key[1]:28} {len(pairs):5} brier {brier(pairs):.3f} "
            f"calibration error {calibration_error(pairs):.3f}"
        )
    print("WEIGHTS =", tuple(round(float(weight), 3) for weight in w))
    print("CALIBRATION =", tuple(round(value, 3) for value in c))


if __name__ == "__main__":
    main()
