"""Suspected blank firing: windows, baseline, change detection and score.

`blank_firing` goes through the rows. Windows of a bout are compared with the loaded level that the hammer has shown,
cumulative sums find steps of the level inside the bout, and the score says what share of such suspicions is real.

Where the definition in `guide/faults.md` is silent:

- A run that begins with its bout has its onset at the bout's start, though the transient is no evidence.
- A row stands for the time since the row before.
- A bout that is low all through is raised when it is over.

`tests/physics` has three simulated breakers with labels. Tune on seeds below 1200 of `lumped` and `conductance`;
`waveform` is held out. `python -m tests.physics --model M` prints accuracy and calibration by kind of feed. After a
change of the evidence fit the weights of the score again: `python -m tests.physics.fit`. The simulations know nothing
of the detector, and the detector nothing of them.
"""
