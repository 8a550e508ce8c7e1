"""A whole processor: filtered webhooks, alerts on MQTT, a heartbeat, and the commands beside it while it runs."""

import json
from pathlib import Path
from typing import Any

from strikewatch.core.instant import SECOND
from strikewatch.sinks.settings import decode_secret
from tests.broker import Broker
from tests.cli.command import strikewatch
from tests.receiver import Receiver
from tests.service.processor import SECRET, Gateway, Processor, now_ns
from tests.service.test_live import fire, rest
from tests.sinks.test_mqtt_alerts import Lamp


def deliveries(processor: Processor, *arguments: str) -> list[dict[str, Any]]:
    done = strikewatch("deliveries", *arguments, "--json", "--config", processor.folder / "settings.toml")
    assert done.returncode in (0, 1), done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_each_endpoint_receives_what_its_settings_select(broker: Broker, tmp_path: Path) -> None:
    """An endpoint of another site gets nothing, the lamp gets its hammer's alerts, heartbeats and tests arrive."""
    with Receiver(decode_secret(SECRET)) as office, Receiver(decode_secret(SECRET)) as pulse:
        processor = Processor(
            tmp_path / "processor",
            broker,
            office.url,
            mqtt_alerts={"publish": True},
            heartbeat={
                "url": pulse.url,
                "secret_file": str(tmp_path / "secret"),
                "allow_private": ["127.0.0.0/8"],
                "every_s": 1.0,
            },
        )
        (tmp_path / "secret").write_text(SECRET)
        with (processor.folder / "settings.toml").open("a") as file:
            file.write(
                f'[[webhooks]]\nname = "elsewhere"\nurl = "{office.url}"\nsecret_file = "{tmp_path}/secret"\n'
                'allow_private = ["127.0.0.0/8"]\nfilter.sites = ["another"]\n'
            )
        lamp = Lamp(broker, None, "strikewatch/+/+/alerts", "strikewatch/+/+/standing")
        gateway = Gateway(broker)
        try:
            processor.start()
            start = now_ns() - 60 * SECOND
            fire(gateway, "HB-03", start, 0, 16)
            rest(gateway, "HB-03", start, 16, 20)
            heard = lamp.wait_for(4)
            assert {name.split("/")[2] for name, *_ in heard} == {"HB-03"}
            assert heard[-1][1]["alerts"] == []
            assert [event["type"].split(".")[2] for event in office.events(2)] == ["raised", "cleared"]
            assert pulse.events(1)[0]["type"] == "strikewatch.heartbeat"
            (told,) = deliveries(processor, "test", "office")
            assert told["state"] == "sent"
            assert office.events(3)[2]["type"] == "strikewatch.test"
            (told,) = deliveries(processor, "test", "mqtt")
            assert told["state"] == "sent"
            listed = deliveries(processor, "list", "--state", "sent")
            assert {one["endpoint"] for one in listed} == {"office", "mqtt"}
            assert processor.stop() == 0
        finally:
            lamp.close()
            gateway.close()
            processor.end()
