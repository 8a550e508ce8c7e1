"""How property tests search: the same few examples in every run, or many new ones with `--hypothesis-profile=long`."""

from typing import Final

from hypothesis import settings
from hypothesis.internal.conjecture import providers

MANY: Final = 100
"""The long form tries so many times the examples."""

settings.register_profile(
    "short", max_examples=25, deadline=None, derandomize=True, database=None, print_blob=True
)
settings.register_profile("long", max_examples=25 * MANY, deadline=None, database=None, print_blob=True)


def make_reproducible() -> None:
    """Choose the short profile, and have its examples depend on the test alone.

    Hypothesis also tries constants that it finds in the modules loaded so far, which differ with the order of tests
    and from worker to worker.
    """
    settings.load_profile("short")
    providers._get_local_constants = lambda: providers._local_constants


def examples(short: int) -> int:
    """Return how many examples a test tries in this profile that tries `short` in the short one."""
    return short * MANY if settings.get_current_profile_name() == "long" else short
