"""Tests that share fixtures run in one worker of pytest-xdist."""

import pytest

from tests import schedule
from tests.programs import skip

RUN: list[int] = []


@pytest.mark.parametrize("number", range(12))
def test_a_number_is_kept_for_the_last_test(number: int) -> None:
    RUN.append(number)


def test_one_worker_runs_all_tests_of_a_file(request: pytest.FixtureRequest) -> None:
    if not getattr(request.config.option, "loadgroup", True):  # pytest-xdist sets it in workers
        skip("needs --dist loadgroup")
    here = [item for item in request.session.items if item.path == request.path]
    assert len(RUN) == len(here) - 1 - len(here[here.index(request.node) + 1 :])


def test_tests_of_a_few_seeds_are_a_group_and_others_in_long_files_are_by_themselves() -> None:
    laws, service = "tests/detectors/test_laws.py::test_quiet", "tests/service/test_x.py::test_y[3]"
    assert (
        schedule.group(f"{laws}[boundary_stream-6]")
        == schedule.group(f"{laws}[9]")
        == "tests/detectors seeds 1"
    )
    assert schedule.group(f"{laws}[seeds6]") == f"{laws}[seeds6]"
    assert schedule.group(service) == service
    assert schedule.group("tests/web/test_page.py::test_z[a-3]") == "tests/web/test_page.py"
    first = "tests/web/test_browser.py::test_b"
    tests = [f"{laws}[1]", service, "tests/web/test_page.py::test_z", first]
    ordered = schedule.ordered(tests)
    assert (ordered[0], ordered[-1], sorted(ordered)) == (first, tests[0], sorted(tests))
