"""Rates of faults, as a trainer needs them: tidy tables from the frames EXPOSURE and FAULTS. `columns` says what is in them.

    operators(exposure, faults, before=(exposure, faults), settings=Settings())  → OPERATORS
    sites(exposure, faults, before=…, settings=…)                               → SITES
    groups(exposure, faults, by=["site", "hammer"], …)                          → by, fault, then GROUPS
    weeks(exposure, faults, zone="UTC", …)                                      → WEEKS
"""
