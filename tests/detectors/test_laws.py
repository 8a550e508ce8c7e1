"""Laws over the whole registry of detectors: a new detector gets them unasked.

cut      however a stream is cut, down to row by row and with ticks in between, the findings and the last state are the
         same to the last bit; cuts and ticks are aimed at the ties, one nanosecond before, at and after each deadline
company  other hammers in the same batches change nothing
whose    operator and tool of each finding, bout and stretch are those at its onset or start, under any of these cuts,
         with more sign-ons and tool changes than a record holds
resume   a state that went through bytes into a new pipeline goes on as if nothing had happened
purity   a step that is not kept leaves no trace
"""

import os
import random
import re
from collections.abc import Callable, Iterator, Sequence

import pytest

from strikewatch.core.batch import NO_ROWS, Batch, Key, Portion, Rows
from strikewatch.core.bout import AttributedBout
from strikewatch.core.events import Event
from strikewatch.core.finding import Finding
from strikewatch.core.instant import SECOND
from strikewatch.core.stretch import AttributedStretch
from strikewatch.engine.pipeline import Pipeline
from strikewatch.engine.state import LAYOUT
from strikewatch.engine.step_result import StepResult
from strikewatch.settings.faults import Faults
from strikewatch.sources.ordering import Reorderer
from tests.detectors.recorded import SITE, faults_of
from tests.twins.corrected import corrected
from tests.twins.days import days
from tests.twins.fed import fed
from tests.twins.jointed import jointed
from tests.twins.knowledge import admitted
from tests.twins.rich import rich
from tests.twins.streams import Stream as Recording
from tests.twins.streams import columns, nasty
from tests.twins.whose import operator_at, tool_at

CUTS = int(os.environ.get("STRIKEWATCH_CUTS", "1000"))
SEEDS = 40
CASES = [
    *((nasty, seed) for seed in range(SEEDS)),
    *((rich, seed) for seed in range(SEEDS // 2)),
    *((fed, seed) for seed in range(SEEDS // 4)),
    *((jointed, seed) for seed in range(SEEDS // 4)),
    *((days, seed) for seed in range(SEEDS // 2)),
    *((corrected, seed) for seed in range(SEEDS // 2)),
]
EVERY = pytest.mark.parametrize(
    ("made", "seed"), CASES, ids=[f"{made.__name__}-{seed}" for made, seed in CASES]
)
HOUR = 3600 * 1_000_000_000

Found = list[str]


class Stream:
    """One nasty recording and its settings. `crowded`: people and tools come and go all the time."""

    def __init__(self, seed: int, made: Callable[[int], Recording] = nasty, *, crowded: bool = False) -> None:
        nasty_stream = made(seed)
        self.rows: dict[Key, Rows] = {
            (SITE, hammer): columns(admitted(one)) for hammer, one in nasty_stream.rows.items()
        }
        self.events: dict[Key, list[Event]] = {
            (SITE, hammer): one for hammer, one in nasty_stream.events.items()
        }
        self.end = nasty_stream.end
        if crowded:
            dice = random.Random(f"crowd {seed}")
            for key, own in self.events.items():
                crowd = changes(dice, key, self.rows[key].time_ns.tolist(), self.end)
                own[:] = sorted([*own, *crowd], key=lambda event: event.effective)
        self.faults: Faults = faults_of(nasty_stream.settings)

    def pipeline(self) -> Pipeline:
        return Pipeline(lambda _key: self.faults.by_detector())

    def portions(self, key: Key, watermarks: Sequence[int]) -> Iterator[Portion]:
        """The stream of one hammer, cut at these watermarks (inclusive), and closed."""
        reorderer = Reorderer("in_order")
        for event in self.events[key]:
            reorderer.add_event(event)
        rows = self.rows[key]
        first = 0
        for upto in watermarks:
            last = int(rows.time_ns.searchsorted(upto, side="right"))
            yield reorderer.portion(key, reorderer.add_rows(key, rows[first:last]), upto)
            first = last
        yield reorderer.portion(key, reorderer.add_rows(key, rows[first:]), self.end)
        yield reorderer.portion(key, NO_ROWS, self.end, closing=True)


def changes(dice: random.Random, key: Key, times: Sequence[int], end: int) -> list[Event]:
    """More sign-ons, sign-offs and tool changes than any record holds: at rows, beside them and between them, singly
    and in bursts."""
    first = min(times, default=end) - SECOND
    found: list[Event] = []
    while len(found) < 120:
        near = dice.choice(times) if times and dice.random() < 0.7 else dice.randint(first, end)
        apart = dice.choice((0, 1, 20_000_000, 100_000_000, 300_000_000, 2 * SECOND))
        at = near + dice.choice((-1, 0, 0, 1, 500_000_000))
        for _ in range(dice.choice((1, 1, 3, 12))):
            late = dice.choice((0, 0, 0, HOUR))
            kind = dice.choice(("sign_on", "sign_on", "sign_off", "tool_change"))
            fields = {
                "sign_on": {"operator": f"op-{11 + len(found)}"},
                "tool_change": {"tool": f"tool-{len(found)}"},
            }.get(kind, {})
            if first <= at <= end:
                found.append(Event(*key, kind, at - late, fields, at if late else -1))
            at += apart
    return found


Told = tuple[Finding, str | None] | AttributedBout | AttributedStretch


def told(outcome: StepResult) -> list[Told]:
    """Everything that a step found: findings, bouts and stretches of work. A finding that raises has its operator with
    it; later ones of the same fault are not asked."""
    whose = [
        (one, outcome.on_duty(one.key, one.onset) if one.step == "raised" else None)
        for one in outcome.findings
    ]
    return [*whose, *outcome.bouts(), *outcome.stretches()]


def lines(found: Sequence[Told]) -> Found:
    return sorted(
        repr(
            one
            if isinstance(one, AttributedBout | AttributedStretch)
            else (one[0]._replace(kind=one[0].kind.name), one[1])
        )  # type: ignore[arg-type]
        for one in found
    )


def run(pipeline: Pipeline, portions: Iterator[Portion]) -> Found:
    return lines(closed(pipeline, portions))


def closed(pipeline: Pipeline, portions: Iterator[Portion]) -> list[Told]:
    """Everything that is found in these portions, and what still goes on at their end."""
    found: list[Told] = []
    for portion in portions:
        outcome = pipeline.step(Batch([portion]))
        pipeline.commit(outcome)
        found += told(outcome)
    last = pipeline.step(Batch([Portion(portion.key, NO_ROWS, portion.watermark)]), report=True)
    return [*found, *told(last)]


def wrongly_attributed(found: Sequence[Told], events: Sequence[Event]) -> Found:
    """What is not whose the events say."""
    wrong: list[Told] = []
    for one in found:
        if isinstance(one, AttributedBout | AttributedStretch):
            start = one.bout.start if isinstance(one, AttributedBout) else one.stretch.start
            right = one.operator == operator_at(events, start) and one.tool == tool_at(events, start)
        else:
            right = one[0].step != "raised" or one[1] == operator_at(events, one[0].onset)
        wrong += [] if right else [one]
    return lines(wrong)


def state(pipeline: Pipeline, key: Key) -> bytes:
    return pipeline.step(Batch([Portion(key, NO_ROWS, pipeline.watermark(key))])).saved()[key]


def aimed_cuts(dice: random.Random, stream: Stream, key: Key, instants: Sequence[int]) -> list[int]:
    """Watermarks at random rows, and around the instants at which something was found."""
    times = stream.rows[key].time_ns.tolist()
    some = dice.sample(times, min(len(times), dice.choice((1, 5, 40, len(times)))))
    at = dice.sample(list(instants), min(len(instants), 30))
    ticks = [t + dice.choice((-1, 0, 1)) for t in at]
    near = [t + dice.choice((-1, 1, 500_000_000, 2_000_000_000, 9_999_999_999)) for t in some[:10]]
    low = times[0] if times else stream.end
    return sorted({t for t in some + ticks + near if low <= t <= stream.end})


@EVERY
def test_cut_and_resume(made: Callable[[int], Recording], seed: int) -> None:
    """The same findings and state under random cuts, each now and then carried over as bytes into a new pipeline."""
    dice = random.Random(seed)
    stream = Stream(seed, made)
    for key in stream.rows:
        whole = stream.pipeline()
        expected = run(whole, stream.portions(key, []))
        at = whole.step(Batch([])).findings
        assert at == []
        found_at = [int(at) for line in expected for at in re.findall(r" (?:at|end)=(\d+)", line)]
        for _ in range(CUTS // len(CASES)):
            watermarks = aimed_cuts(dice, stream, key, found_at)
            pipeline = stream.pipeline()
            found: list[Told] = []
            for portion in stream.portions(key, watermarks):
                outcome = pipeline.step(Batch([portion]))
                found += told(outcome)
                pipeline.commit(outcome)
                if dice.random() < 0.2:
                    saved = outcome.saved()[key]
                    pipeline = stream.pipeline()
                    assert pipeline.restore(key, LAYOUT, saved) == []
            last = pipeline.step(Batch([Portion(key, NO_ROWS, pipeline.watermark(key))]), report=True)
            assert lines([*found, *told(last)]) == expected
            assert state(pipeline, key) == state(whole, key)


@pytest.mark.parametrize(
    ("made", "seed"), CASES[::5], ids=[f"{one.__name__}-{seed}" for one, seed in CASES[::5]]
)
def test_whose(made: Callable[[int], Recording], seed: int) -> None:
    """Whole, row by row and under random cuts with resumes, with 120 changes of operator and tool a hammer."""
    dice = random.Random(seed)
    stream = Stream(seed, made, crowded=True)
    for key, rows in stream.rows.items():
        whole = stream.pipeline()
        everything = closed(whole, stream.portions(key, []))
        expected = lines(everything)
        assert wrongly_attributed(everything, stream.events[key]) == []
        at = [event.effective for event in stream.events[key]]
        for watermarks in (rows.time_ns.tolist(), aimed_cuts(dice, stream, key, at)):
            pipeline = stream.pipeline()
            found: list[Told] = []
            for portion in stream.portions(key, watermarks):
                outcome = pipeline.step(Batch([portion]))
                found += told(outcome)
                pipeline.commit(outcome)
                if dice.random() < 0.3:
                    saved = outcome.saved()[key]
                    pipeline = stream.pipeline()
                    assert pipeline.restore(key, LAYOUT, saved) == []
            last = pipeline.step(Batch([Portion(key, NO_ROWS, pipeline.watermark(key))]), report=True)
            assert lines([*found, *told(last)]) == expected
            assert state(pipeline, key) == state(whole, key)


@EVERY
def test_company(made: Callable[[int], Recording], seed: int) -> None:
    """All hammers in common batches, their portions interleaved, find what each finds alone."""
    dice = random.Random(seed)
    stream = Stream(seed, made)
    alone: Found = []
    for key in stream.rows:
        alone += run(stream.pipeline(), stream.portions(key, []))
    pipeline = stream.pipeline()
    found: list[Told] = []
    queues = {key: list(stream.portions(key, aimed_cuts(dice, stream, key, []))) for key in stream.rows}
    while any(queues.values()):
        batch = [queue.pop(0) for queue in queues.values() if queue and dice.random() < 0.7]
        dice.shuffle(batch)
        outcome = pipeline.step(Batch(batch))
        pipeline.commit(outcome)
        found += told(outcome)
    closing = [Portion(key, NO_ROWS, pipeline.watermark(key)) for key in stream.rows]
    found += told(pipeline.step(Batch(closing), report=True))
    assert lines(found) == sorted(alone)


@EVERY
def test_purity(made: Callable[[int], Recording], seed: int) -> None:
    """Looks ahead that are not kept, between the steps, change nothing; inputs stay as they were."""
    dice = random.Random(seed)
    stream = Stream(seed, made)
    for key, rows in stream.rows.items():
        before = {name: column.tobytes() for name, column in rows.columns.items()}
        expected = run(stream.pipeline(), stream.portions(key, []))
        pipeline = stream.pipeline()
        found: list[Told] = []
        for portion in stream.portions(key, aimed_cuts(dice, stream, key, [])):
            ahead = Portion(key, NO_ROWS, portion.watermark + dice.randint(0, 10**11))
            pipeline.step(Batch([ahead]), report=True)
            outcome = pipeline.step(Batch([portion]))
            assert lines(told(outcome)) == lines(told(pipeline.step(Batch([portion]))))
            pipeline.commit(outcome)
            found += told(outcome)
        last = pipeline.step(Batch([Portion(key, NO_ROWS, pipeline.watermark(key))]), report=True)
        assert lines([*found, *told(last)]) == expected
        assert before == {name: column.tobytes() for name, column in rows.columns.items()}
