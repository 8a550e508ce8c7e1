"""Wear of bushings and tools, and which tool suits the work. Pure: readings and hours in, advice out.

Where the definition of the fault leaves it open:

- A bore at the limit of the operator's manual means replace, for any state of the grooves.
- Second groove nearly gone and not known whether it was turned: turn the bushing if it was not turned before.
- Readings start again with `bushing_new`, or if an unturned bushing follows a turned or a more worn one.
- A tool fitted over a day before the first recorded work has an unknown start.
- A corrected entry no longer counts.

Outside checks (NIST, Freireich, statsmodels) are in `tests/outside/test_wear.py`.
"""
