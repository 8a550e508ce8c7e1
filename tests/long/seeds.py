"""Run every seeded and property test on far more inputs: `python -m tests.long.seeds [pytest arguments]`.

2,000 seeds of the detectors' twins, 10,000 cuts of their laws, twice the live runs that are compared with replays, and
a hundred times the examples of the property tests.
"""

import os
import sys

import pytest


def main() -> int:
    os.environ.setdefault("STRIKEWATCH_SEEDS", "2000")
    os.environ.setdefault("STRIKEWATCH_CUTS", "10000")
    return pytest.main(["--hypothesis-profile=long", *(sys.argv[1:] or ["tests"])])


if __name__ == "__main__":
    sys.exit(main())
