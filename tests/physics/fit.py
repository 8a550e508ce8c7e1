"""`python -m tests.physics.fit`: the weights of `strikewatch.detectors.blank_firing.score`, fitted to
shifts with labels.

Logistic regression with a ridge, by iteratively reweighted least squares, over every suspicion that the detector can
have (its floor let down to `FLOOR`), on the seeds and feeds below. Each kind of feed weighs the same, and so does each
model of breakers. What is known only in fast feeds (blow rate) is not fitted here.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strikewatch.core.batch import NO_ROWS, Batch, Key, Rows
from strikewatch.detectors.blank_firing import score
from strikewatch.engine.pipeline import Pipeline
from strikewatch.settings.faults import Faults
from strikewatch.sources.ordering import Reorderer
from tests.physics.feeds import START, feed
from tests.physics.measured import MODELS, Case
from tests.physics.score import brier, calibration_error
from tests.physics.score import score as scored

KEY: Key = ("fennick-hollow", "HB-01")
FLOOR = 0.1
MINUTES = 30.0
CASES = (
    Case("10Hz_mean"),
    Case("10Hz"),
    Case("5Hz"),
    Case("2Hz"),
    Case("1Hz_mean"),
    Case("1Hz_mean", engine_rpm=False),
    Case("1Hz"),
    Case("10Hz_mean", throttle_change=True),
    Case("10Hz_mean", engine_rpm=False, throttle_change=True),
    Case("10Hz", engine_rpm=False, throttle_change=True),
    Case("2Hz", engine_rpm=False, throttle_change=True),
    Case("1Hz_mean", throttle_change=True),
    Case("1Hz_mean", engine_rpm=False, throttle_change=True),
    Case("1Hz", engine_rpm=False, throttle_change=True),
)
MOMENTARY = (
    *(Case(name) for name in ("10Hz", "5Hz", "2Hz", "1Hz")),
    *(Case(name, engine_rpm=False, throttle_change=True) for name in ("10Hz", "2Hz", "1Hz")),
)
"""Once more on other hammers, for how momentary values err differs most from hammer to hammer."""
SETS: tuple[tuple[str, range, tuple[Case, ...]], ...] = (
    ("lumped", range(100, 110), CASES),
    ("conductance", range(100, 112), CASES),
    ("lumped", range(10), MOMENTARY),
)
RIDGE = 2.0

Floats = NDArray[np.float64]


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
    """[TERMS] of one suspicion."""
    out = np.zeros(score.TERMS)
    score.terms.py_func(np.array(numbers), out)  # type: ignore[attr-defined]  # numba's
    return out


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


def collected() -> tuple[Floats, Floats, list[tuple[str, str]]]:
    """Terms, whether real, and (model, kind of feed) of every suspicion."""
    x, real, of = [], [], []
    for model, seeds, cases in SETS:
        for seed in seeds:
            for changed in (False, True):
                truth = MODELS[model](seed, MINUTES, throttle_change=changed)
                for case in cases:
                    if case.throttle_change != changed:
                        continue
                    found = suspicions(feed(truth, case.feed, engine_rpm=case.engine_rpm), FLOOR)
                    pairs = scored(truth, [one[:2] for one in found]).pairs
                    x += [terms(one[2]) for one in found]
                    real += [float(is_real) for _, is_real in pairs]
                    of += [(model, case.kind)] * len(found)
    return np.array(x), np.array(real), of


def weights_of(of: Sequence[tuple[str, str]]) -> Floats:
    """Each model and kind of feed weighs as its number of suspicions, but none more than 300."""
    count = {key: of.count(key) for key in set(of)}
    return np.array([min(1.0, 300.0 / count[key]) for key in of])


def main() -> None:
    x, real, of = collected()
    w = fitted(x, real, weights_of(of))
    p = 1 / (1 + np.exp(-x @ w))
    for key in sorted(set(of)):
        pairs = [(float(s), bool(r)) for s, r, k in zip(p, real, of, strict=True) if k == key]
        print(
            f"{key[0]:12} {key[1]:28} {len(pairs):5} brier {brier(pairs):.3f} "
            f"calibration error {calibration_error(pairs):.3f}"
        )
    print("WEIGHTS =", tuple(round(float(one), 3) for one in w))


if __name__ == "__main__":
    main()
