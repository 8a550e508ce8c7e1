"""A message that ends the process again and again is set aside; one that was there by chance never is."""

import os
from pathlib import Path

import pytest

from strikewatch.core.instant import SECOND
from strikewatch.errors import Rejected
from strikewatch.service import step_journal
from strikewatch.service.step_journal import (
    MAX_DEATHS,
    MAX_DEATHS_WITH_COMMITS,
    MAX_KNOWN,
    JournaledSource,
    Phase,
    StepJournal,
)
from strikewatch.sources.mqtt import Message
from tests.broker import Broker
from tests.long.attacks.poisoned import STEP_MARK
from tests.service.bench import GivenMessages
from tests.service.processor import Gateway, Processor, now_ns, until
from tests.service.test_live import rest


def message(n: int) -> Message:
    return Message("strikewatch/bench/HB-01/samples", b"%d" % n, 0, n, 1, 1, False)


A, B, C = message(1), message(2), message(3)


def is_refused(journal: StepJournal, one: Message) -> bool:
    try:
        journal.check(one)
    except Rejected as error:
        return error.reason == "ended_process"
    return False


def end_in(path: Path, *messages: Message, phase: Phase = Phase.PROCESSING, release: str = "1") -> None:
    """Start a journal that ends without notice in a step with these messages."""
    journal = StepJournal(path, release)
    journal.begin(list(messages))
    journal.mark(phase)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "folder" / "strikewatch.db-step"


def test_a_message_alone_in_a_step_at_two_unclean_ends_is_refused_in_every_later_run(path: Path) -> None:
    for _ in range(MAX_DEATHS):
        assert not is_refused(StepJournal(path, "1"), A)
        end_in(path, A)
    for _ in range(3):
        journal = StepJournal(path, "1")
        assert is_refused(journal, A)
        assert not is_refused(journal, B)
        assert not journal.is_suspect(A)  # it need not come alone


def test_large_messages_that_differ_anywhere_are_different(path: Path) -> None:
    large = bytearray(200_000)
    whole = A._replace(payload=bytes(large))
    large[150_000] = 1
    for _ in range(MAX_DEATHS):
        end_in(path, whole)
    journal = StepJournal(path, "1")
    others = bytes(large), whole.payload[:-1], whole.payload + b"\0"
    assert is_refused(journal, whole)
    assert not any(is_refused(journal, A._replace(payload=payload)) for payload in others)


def test_messages_of_a_step_with_several_come_alone_and_are_not_counted(path: Path) -> None:
    for _ in range(5):
        end_in(path, A, B)
    journal = StepJournal(path, "1")
    assert not is_refused(journal, A)
    assert journal.is_suspect(A)
    assert journal.is_suspect(B)
    assert not journal.is_suspect(C)


def test_an_end_during_a_commit_counts_less_and_one_unrelated_to_the_messages_not_at_all(path: Path) -> None:
    for _ in range(5):
        end_in(path, A, phase=Phase.UNRELATED)
    for _ in range(MAX_DEATHS_WITH_COMMITS - 1):
        end_in(path, A, phase=Phase.COMMITTING)
        assert not is_refused(StepJournal(path, "1"), A)
    end_in(path, A, phase=Phase.COMMITTING)
    assert is_refused(StepJournal(path, "1"), A)


def test_a_committed_message_is_forgotten(path: Path) -> None:
    end_in(path, A)
    journal = StepJournal(path, "1")
    journal.begin([A])
    journal.done([A])
    end_in(path, A)
    assert not is_refused(StepJournal(path, "1"), A)


def test_a_clean_end_and_an_end_between_steps_count_against_nothing(path: Path) -> None:
    for _ in range(4):
        journal = StepJournal(path, "1")
        journal.begin([A])
        journal.close()
        journal = StepJournal(path, "1")
        journal.begin([A])
        journal.done([A])
        assert not StepJournal(path, "1").has_suspects


def test_after_a_restart_of_the_machine_or_an_upgrade_nothing_counts(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a power cut the file may be of an earlier step."""
    end_in(path, A)
    started = path.parent / "started"
    started.write_text("later")
    monkeypatch.setattr(step_journal, "_MACHINE_START", started)
    end_in(path, A)
    assert not is_refused(StepJournal(path, "1"), A)
    end_in(path, A)
    assert is_refused(StepJournal(path, "1"), A)
    assert not is_refused(StepJournal(path, "2"), A)


@pytest.mark.parametrize("content", [b"", b"short", b"step/1\0\0" + b"\xff" * 60_000, os.urandom(40_000)])
def test_a_foreign_or_damaged_file_begins_anew(path: Path, content: bytes) -> None:
    path.parent.mkdir()
    path.write_bytes(content)
    journal = StepJournal(path, "1")
    assert not journal.has_suspects
    assert path.stat().st_size >= 16_000


def test_a_file_that_cannot_be_made_has_no_effect(tmp_path: Path) -> None:
    for _ in range(3):
        end_in(tmp_path, A)  # a folder
    journal = StepJournal(tmp_path, "1")
    assert not journal.has_suspects
    journal.done([A])
    journal.close()


def test_the_file_stays_small(path: Path) -> None:
    for k in range(4):
        end_in(path, *(message(1000 * k + n) for n in range(900)))
    size = path.stat().st_size
    journal = StepJournal(path, "1")
    assert path.stat().st_size == size < 64 * 1024
    assert sum(journal.is_suspect(message(n)) for n in range(4000)) == MAX_KNOWN


def test_suspects_come_alone_and_the_order_stays(path: Path) -> None:
    end_in(path, B, C)
    given = GivenMessages([A, message(4), B, C, message(5), message(6)])
    journal = StepJournal(path, "1")
    source = JournaledSource(given, journal)
    steps = []
    while taken := source.take(250, 0.0):
        steps.append([one.mid for one in taken])
        source.acknowledge(taken)
    assert steps == [[1, 4], [2], [3], [5, 6]]
    assert [one.mid for one in given.acknowledged] == [1, 4, 2, 3, 5, 6]
    assert not journal.has_suspects


def test_messages_that_are_put_back_stay_before_those_that_were_kept_for_later_steps(path: Path) -> None:
    end_in(path, A, B)
    source = JournaledSource(GivenMessages([A, B, C]), StepJournal(path, "1"))
    source.put_back(source.take(250, 0.0))
    assert [one.mid for one in source.take(250, 0.0)] == [1]


class PoisonedProcessor(Processor):
    program = "tests.long.attacks.poisoned"

    def starts_until_processed(self, hammer: str, upto: int) -> int:
        """Start again after each end, until a hammer's rows up to an instant are committed; how many starts it took."""
        starts = 1
        while not until(lambda: self.has_processed(hammer, upto) or self.ended) or not self.has_processed(
            hammer, upto
        ):
            assert starts < 8
            self.start()
            starts += 1
        return starts


def test_a_message_that_kills_the_process_is_set_aside_and_nothing_else_is_lost(tmp_path: Path) -> None:
    """With a real broker. One more end is allowed where other messages were in the step at the first one."""
    with (
        Broker(tmp_path / "broker") as broker,
        PoisonedProcessor(tmp_path / "processor", broker).start() as processor,
        Gateway(broker) as gateway,
    ):
        broker.need_mosquitto("sends what is newer before what it sends again")
        start = now_ns() - 120 * SECOND
        rest(gateway, "HB-03", start, 0, 20)
        gateway.event("HB-04", start, "sign_on", operator=STEP_MARK)
        rest(gateway, "HB-03", start, 20, 60)
        starts = processor.starts_until_processed("HB-03", start + 55 * SECOND)
        assert MAX_DEATHS <= starts - 1 <= MAX_DEATHS + 1
        rejected = until(lambda: processor.query("select payload, reason from rejects"))
        assert len(rejected) == 1, rejected
        ((payload, reason),) = rejected
        assert (STEP_MARK.encode() in payload, reason) == (True, "ended_process")
        assert [line["level"] for line in processor.lines("message_set_aside")] == ["error"]
        assert processor.query("select sender, n from feed_problems where reason = 'ended_process'") == [
            ("fennick-hollow/HB-04", 1)
        ]
        assert processor.query("select count(*) from events") == [(0,)]
        assert processor.stop() == 0  # it was acknowledged, and does not come again
        processor.start()
        rest(gateway, "HB-03", start, 60, 70)
        processor.wait_until_processed("HB-03", start + 65 * SECOND)
        assert len(processor.query("select 1 from rejects")) == 1
        assert processor.stop() == 0
