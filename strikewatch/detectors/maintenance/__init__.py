"""What is due by hours or days: inspection, service, walkaround inspection, storage.

Each timer keeps its last entries in its state (kind, time, when it took effect, and what the timer needs) and can be
computed from them. A correction arrives as one event. It removes or changes its entry, and sets timer, stages and
alerts anew at its own instant. What an entry does when it arrives and what it does in that computation must be the
same; `tests/detectors/test_corrections.py` compares with runs in which the wrong entry never came. An entry is
identified by its kind and time; of several the oldest is meant.
"""
