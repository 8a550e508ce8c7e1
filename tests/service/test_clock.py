"""What time it is, where the machine's clock jumps: the hammers' clocks decide which of both times is right."""

from hypothesis import given
from hypothesis import strategies as st

from strikewatch.core.instant import SECOND
from strikewatch.service.clock import FITS_NS, HOLD_NS, JUMP_NS, CorrectedClock

NOON = 1_772_622_000 * SECOND
HOUR = 3600 * SECOND
jumps = st.integers(JUMP_NS + 1, 30 * 365 * 86_400 * SECOND) | st.integers(-HOUR * 24, -JUMP_NS - 1)
near = st.integers(-5 * SECOND, 5 * SECOND)


class SimulatedDay:
    """True time, and the clock of a machine that is wrong."""

    def __init__(self) -> None:
        self.true = NOON
        self.off = 0
        self.slept = 0
        self.began()

    def began(self) -> None:
        self.clock = CorrectedClock(lambda: self.true + self.off, lambda: self.true - self.slept - NOON)

    def advance(self, ns: int, *lags: int) -> int:
        """Time goes on a second at a time, hammers sending samples that lag by so much; how far the present is off."""
        for _ in range(0, ns, SECOND):
            self.true += SECOND
            for number, lag in enumerate(lags):
                self.clock.record_sample(("pit", f"HB-{number:02d}"), self.true - lag)
            self.clock()
        return self.clock() - self.true


@given(jumps, st.lists(near, min_size=1, max_size=4))
def test_a_clock_jump_contradicted_by_hammers_is_rejected(jump: int, lags: list[int]) -> None:
    """It is rejected at once and later, and undoing the jump changes nothing."""
    day = SimulatedDay()
    day.advance(3 * SECOND, *lags)
    day.off = jump
    assert day.advance(0) == 0
    assert day.advance(2 * HOLD_NS, *lags) == 0
    assert day.clock.lead_ns == jump
    day.off = 0
    assert day.advance(0) == 0
    assert day.clock.lead_ns == 0


@given(jumps, st.lists(near, min_size=1, max_size=4))
def test_a_corrected_clock_is_accepted_at_once(jump: int, lags: list[int]) -> None:
    day = SimulatedDay()
    day.off = -jump
    day.began()
    day.advance(3 * SECOND, *lags)
    day.off = 0
    assert day.advance(0) == 0
    assert day.clock.lead_ns == 0


@given(st.integers(FITS_NS + HOUR, 40 * HOUR), st.integers(JUMP_NS + 1, HOUR - 1))
def test_hammers_that_send_a_backlog_do_not_count_as_witnesses(lag: int, jump: int) -> None:
    """Old samples support neither time: a jump ahead is accepted at once, a jump back after a minute."""
    day = SimulatedDay()
    day.advance(3 * SECOND, lag)
    day.off = jump
    assert day.advance(SECOND, lag) == jump
    day.off = 0
    assert day.advance(0) == jump
    assert day.advance(HOLD_NS, lag) == 0


def test_the_majority_of_hammers_decides_about_a_clock_jump() -> None:
    """One hammer with a slow clock supports a clock that was set back by an hour; two others outvote it."""
    day = SimulatedDay()
    day.advance(3 * SECOND, 0, 0, HOUR)
    day.off = -HOUR
    assert day.advance(5 * SECOND, 0, 0, HOUR) == 0
    assert day.advance(5 * SECOND, HOUR, 0, HOUR) == -HOUR


def test_the_clock_is_accepted_after_the_machine_slept() -> None:
    """The monotonic clock stood still, so the jump of the wall clock agrees with the samples that follow."""
    day = SimulatedDay()
    day.advance(3 * SECOND, 0)
    day.slept = 2 * HOUR
    day.true += day.slept
    day.clock()
    assert day.clock.lead_ns == day.slept, "doubted, but samples of now are let in, which settles it"
    day.clock.record_sample(("pit", "HB-00"), day.true)
    assert day.clock() == day.true


@given(st.integers(1, 48 * 3600))
def test_a_start_with_a_slow_clock_uses_the_newest_stored_time(slow_s: int) -> None:
    """The newest record is a second old, and samples confirm it."""
    true = NOON
    clock = CorrectedClock(lambda: true - slow_s * SECOND, lambda: 0, floor=true - SECOND)
    assert abs(clock() - true) <= JUMP_NS + SECOND
    clock.record_sample(("pit", "HB-01"), true)
    assert abs(clock() - true) <= JUMP_NS + SECOND
