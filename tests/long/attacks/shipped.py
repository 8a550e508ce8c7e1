"""A real broker with the configuration in `config/`, paths and ports apart, and the accounts of a site.

Each gateway has an account of its own, `<site>/<hammer>`, as the configuration asks for. `collector` is what a larger
site may have: one account that sends for all hammers.
"""

import re
import shutil
import subprocess
from pathlib import Path

from tests.broker import Broker, free_port
from tests.long.attacks.honest import HAMMERS, SITE

CONFIG = Path(__file__).parents[3] / "config"
PASSWORD = "gateway"
"""Of all gateways: who has one password has only this account."""
PROCESSOR_PASSWORD = "processor"
ATTACKER = "HB-66"
LATE = "HB-67"
"""Its gateway had no network: nothing newer may have come of it."""
COLLECTOR = "collector"


class ShippedBroker(Broker):
    """Open for gateways on `port`; `processor_port` is the processor's listener, where it has one of its own."""

    def __init__(self, folder: Path) -> None:
        made = folder / "broker"
        made.mkdir(parents=True, exist_ok=True)
        for path in CONFIG.glob("mosquitto*"):
            shutil.copy(path, made)
        access = made / "mosquitto.acl"
        access.write_text(f"{access.read_text()}\nuser {COLLECTOR}\ntopic write strikewatch/#\n")
        text = (made / "mosquitto.conf").read_text()
        ports: dict[str, int] = {}

        def listener(found: re.Match[str]) -> str:
            ports[found[1]] = free_port()
            return f"listener {ports[found[1]]} 127.0.0.1"

        text = re.sub(r"^listener (\d+).*$", listener, text, flags=re.M)
        text = re.sub(r"^(user|log_dest) .*$", "", text, flags=re.M)
        text = re.sub(r"/mosquitto/(config|data)", str(made), text)
        own = [port for name, port in ports.items() if name != "1883"]
        self.processor_port = own[0] if own else ports["1883"]
        super().__init__(folder, port=ports["1883"], conf=f"{text}\nuser root\nlog_dest stderr\n")
        gateways = {f"{SITE}/{hammer}": PASSWORD for hammer in (*HAMMERS, ATTACKER, LATE)}
        for name, accounts in (
            ("passwords", {COLLECTOR: PASSWORD, **gateways}),
            ("processor_passwords", {"processor": PROCESSOR_PASSWORD}),
        ):
            passwords = made / name
            passwords.write_text("".join(f"{user}:{password}\n" for user, password in accounts.items()))
            passwords.chmod(0o600)
            subprocess.run(["mosquitto_passwd", "-U", passwords], check=True, capture_output=True)

    def client_id(self) -> str:
        """The client id under which the processor is connected: what somebody who saw the broker's log knows."""
        found = re.findall(r" as (\S+) \([^)]*u'processor'", self.log)
        return found[-1] if found else ""
