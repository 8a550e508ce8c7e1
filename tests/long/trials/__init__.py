"""Trials: the processor under faults. Each says what must hold, and reports figures."""
