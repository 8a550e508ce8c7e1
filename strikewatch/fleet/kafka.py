"""Write MQTT messages to a topic of Apache Kafka, in order for each key, and report which of them Kafka has.

A Kafka message: key, the hammer as `site/hammer` or the machine of a mapped topic; value, the payload as it came;
timestamp, the time of arrival; headers, `topic`, `received_ns` and `retained`. Of a payload that is too large for the
topic only the headers are written, with `refused`.
"""

import logging
import time
from collections.abc import Callable
from functools import partial
from itertools import count
from typing import Any, Final

from strikewatch.errors import InputError, SettingsError
from strikewatch.sinks.settings import KafkaSettings
from strikewatch.sources.decode.strict_json import MAX_BYTES
from strikewatch.sources.mqtt import Message

STALLED_S: Final = 20.0
"""Without any report from Kafka for this long it counts as out of reach."""
CHECK_EVERY_S: Final = 5.0
CHECK_TIMEOUT_S: Final = 2.0
RETRY_MIN_S: Final = 1.0
RETRY_MAX_S: Final = 60.0
_OVERHEAD_BYTES: Final = 1024
"""Room for the key and the headers of a message, in addition to its payload."""
_BATCH_BYTES: Final = 1_000_000


class KafkaWriter:
    """Writes messages: `send` them, `poll`, and take those that Kafka has from `delivered`. For one thread.

    Kafka confirms a message once all replicas in sync have it. If it refuses one, all that are not confirmed are sent
    again in the same order by a new producer, so that no later message of a key comes before it; some may then be in
    Kafka twice.

    Args:
        settings: of Kafka.
        key_of: the key of a topic's messages: one key for all topics of a hammer.
        verbose: pass on what librdkafka logs.

    Raises:
        InputError: confluent-kafka is not installed.
        SettingsError: librdkafka does not accept the options, or the password cannot be read.
    """

    def __init__(
        self,
        settings: KafkaSettings,
        key_of: Callable[[str], str],
        *,
        verbose: bool = False,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self._key_of = key_of
        self._monotonic = monotonic
        self._config = _config(settings)
        self._logger = logging.getLogger("librdkafka")
        self._logger.propagate, self._logger.disabled = verbose, not verbose
        self._numbers = count()
        self._pending: dict[int, Message] = {}  # in order of arrival
        self._confirmed: list[Message] = []
        self._refused = ""
        self._retry_s = RETRY_MIN_S
        self._retry_at = 0.0
        self._last_report = monotonic()
        self._next_check = monotonic()
        self._last_error = ""
        self.connected = False
        """Whether Kafka has answered since it was last out of reach."""
        self.written = 0
        """Number of messages that Kafka has confirmed."""
        self.too_large = 0
        """Number of messages of which only the headers were written."""
        self.problem = ""
        """Why Kafka does not take messages; empty while it does."""
        self._producer = self._new_producer()

    @property
    def in_flight(self) -> int:
        """The number of messages that are not confirmed."""
        return len(self._pending)

    def send(self, message: Message) -> None:
        """Send a message."""
        if not self._pending:
            self._last_report = self._monotonic()
        number = next(self._numbers)
        self._pending[number] = message
        if not self._refused:
            self._produce(number, message)

    def poll(self, timeout_s: float) -> list[Message]:
        """Wait for reports for up to `timeout_s`; return the messages that Kafka has now, in any order."""
        if not self._refused:
            self._run_callbacks(timeout_s)
        elif self._monotonic() >= self._retry_at:
            self._send_again()
        else:
            time.sleep(timeout_s)
        now = self._monotonic()
        if self._pending:
            if not self.problem and now - self._last_report > STALLED_S:
                self._set_problem(self._last_error or f"no answer for {STALLED_S:.0f} s")
        elif not self.connected and now >= self._next_check:
            self._next_check = now + CHECK_EVERY_S
            self._check_topic()
        delivered, self._confirmed = self._confirmed, []
        return delivered

    def close(self) -> None:
        """Give up what is not confirmed."""
        self._pending.clear()
        self._producer.purge()
        self._run_callbacks(0.0)

    def _produce(self, number: int, message: Message) -> None:
        from confluent_kafka import KafkaException

        headers = [
            ("topic", message.topic),
            ("received_ns", str(message.received_ns)),
            ("retained", "true" if message.retained else "false"),
        ]
        value: bytes | None = message.payload
        size, most = len(message.payload), self._settings.max_message_bytes
        if size > min(most, MAX_BYTES):  # longer ones are cut off when they are received
            headers.append(("refused", f"payload of {size} bytes; at most {min(most, MAX_BYTES)}"))
            value = None
            self.too_large += 1
        try:
            self._producer.produce(
                self._settings.topic,
                value,
                self._key_of(message.topic),
                on_delivery=partial(self._on_report, number),
                timestamp=message.received_ns // 1_000_000,
                headers=headers,
            )
        except (KafkaException, BufferError) as error:
            self._note_refusal(str(error.args[0]) if error.args else str(error))

    def _run_callbacks(self, timeout_s: float) -> None:
        """Have the producer call back."""
        from confluent_kafka import KafkaException

        try:
            self._producer.poll(timeout_s)
        except KafkaException as error:  # fatal
            self._note_refusal(error.args[0].str())

    def _on_report(self, number: int, error: Any, _message: Any) -> None:
        """Note that Kafka has a message, or why not. Called by `poll`."""
        self._last_report = self._monotonic()
        if self._refused or number not in self._pending:
            return  # of a producer that is given up
        if error is not None:
            self._note_refusal(error.str())
            return
        self._confirmed.append(self._pending.pop(number))
        self.written += 1
        self._note_answer()
        self._retry_s = RETRY_MIN_S

    def _on_error(self, error: Any) -> None:
        """Note what is wrong with the connections. Called by `poll`."""
        from confluent_kafka import KafkaError

        if error.fatal():
            self._note_refusal(error.str())
        elif error.code() == KafkaError._ALL_BROKERS_DOWN:
            self._set_problem(self._last_error or error.str())
        elif error.code() == KafkaError._AUTHENTICATION:
            self._set_problem(error.str())
        else:  # one of several brokers, perhaps
            self._last_error = error.str()

    def _check_topic(self) -> None:
        """While there is nothing to send, find out whether Kafka answers and has the topic."""
        from confluent_kafka import KafkaException

        name = self._settings.topic
        try:
            found = self._producer.list_topics(name, timeout=CHECK_TIMEOUT_S).topics[name]
        except KafkaException as error:
            self._set_problem(self._last_error or error.args[0].str())
            return
        if found.error is not None:
            self._set_problem(f"topic {name}: {found.error.str()}")
        else:
            self._note_answer()

    def _note_answer(self) -> None:
        self.problem = self._last_error = ""
        self.connected = True

    def _set_problem(self, problem: str) -> None:
        self.problem = problem
        self.connected = False

    def _note_refusal(self, reason: str) -> None:
        """Stop sending: a later message must not come before one that was refused."""
        if not self._refused:
            self._refused = reason
            self._set_problem(reason)
            self._retry_at = self._monotonic() + self._retry_s
            self._retry_s = min(2 * self._retry_s, RETRY_MAX_S)

    def _send_again(self) -> None:
        self._producer.purge()
        self._producer = self._new_producer()
        self._refused = ""
        pending, self._pending = self._pending, {}
        for message in pending.values():
            self.send(message)

    def _new_producer(self) -> Any:
        from confluent_kafka import KafkaException, Producer

        try:
            return Producer({**self._config, "error_cb": self._on_error}, logger=self._logger)
        except KafkaException as error:
            raise SettingsError(
                [("kafka.options", f"{error.args[0].str()}; see librdkafka's options")]
            ) from None


def _config(settings: KafkaSettings) -> dict[str, Any]:
    """Return the configuration of librdkafka. Raises InputError, SettingsError."""
    try:
        import confluent_kafka  # noqa: F401
    except ImportError:
        raise InputError(
            "the client of Kafka is not installed; install it with: pip install 'strikewatch[kafka]'"
        ) from None
    found: dict[str, Any] = {
        "client.id": settings.client_id,
        "linger.ms": 5,
        "compression.type": "lz4",
        **settings.options,
        "bootstrap.servers": settings.servers,
        "acks": "all",
        "enable.idempotence": True,
        "enable.gapless.guarantee": True,
        "message.timeout.ms": 0,  # messages wait for as long as Kafka is away
        "partitioner": "murmur2_random",  # as Kafka's own clients choose the partition of a key
        "message.max.bytes": max(settings.max_message_bytes, _BATCH_BYTES) + _OVERHEAD_BYTES,
        "batch.size": _BATCH_BYTES,
        "queue.buffering.max.messages": 2 * settings.in_flight_limit,
    }
    if settings.username is not None and settings.password_file is not None:
        try:
            password = settings.password_file.read_text("utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError([("kafka.password_file", f"cannot be read: {error}")]) from None
        found.setdefault("security.protocol", "SASL_SSL")
        found.setdefault("sasl.mechanism", "SCRAM-SHA-512")
        found |= {"sasl.username": settings.username, "sasl.password": password}
    return found
