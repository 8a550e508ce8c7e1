"""A broker, a gateway and a webhook receiver for the tests of whole processors."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from strikewatch.sinks.settings import decode_secret
from tests.broker import Broker
from tests.receiver import Receiver
from tests.service.processor import SECRET, Gateway


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
def gateway(broker: Broker) -> Iterator[Gateway]:
    with Gateway(broker) as gateway:
        yield gateway


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with Receiver(decode_secret(SECRET)) as receiver:
        yield receiver
