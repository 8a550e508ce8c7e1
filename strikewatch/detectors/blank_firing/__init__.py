"""Suspected blank firing.

The rows of a bout become windows (`windows`), each the mean pressure over a short time. The windows of a bout form
segments of one level: cumulative sums find the steps between them (`cusum`, `segments`). A level is compared with the
baseline of the hammer (`baseline`), with regard to how its pressure rises at the start of a bout (`ramp_up`). Low
segments form a run (`runs`). The score of a run is the share of runs with such evidence that are real (`score`). A run
that only the next bout can confirm is deferred. When a bout is over, it is measured and learned from
(`bout`). In fast feeds blows are counted too (`blow_counter`).

Where the definition in `guide/faults.md` says nothing:

- A run that begins with its bout has its onset at the bout's start, though the ramp-up is no evidence.
- A row represents the time since the row before.
- A bout that is low from beginning to end is raised when it is over.

`tests/physics` has three simulated breakers with labels. Tune on seeds below 1200 of `lumped` and `conductance`;
`waveform` is held out. `python -m tests.physics --model M` prints accuracy and calibration by kind of feed. After a
change of the evidence fit the weights of the score again: `python -m tests.physics.fit`. The simulations know nothing
of the detector, and the detector nothing of them.
"""
