"""Wear of bushings and tools, and which tool suits the work. Pure: readings and hours in, advice out.

Where the definition is silent:

- A bore at the limit of the operator's manual means replace, whatever the grooves say.
- Second groove nearly gone and no word of a turn: turn the bushing, if it was not turned yet.
- Readings begin anew where `bushing_new` says so, or where an unturned bushing follows a turned or a more worn one.
- A tool fitted over a day before the first recorded work has an unknown start.
- A corrected entry no longer counts.

Outside checks (NIST, Freireich, statsmodels) are in `tests/outside/test_wear.py`.
"""
