"""A gateway that has its network back, as a process of its own: FILE HOST PORT TOPIC PER_S (0: as fast as it can).

It says `ready`, waits for a line, and sends the file's lines, twenty under way at a time.
"""

import sys
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion


def main(path: str, host: str, port: str, topic: str, per_s: str) -> None:
    payloads = Path(path).read_bytes().split(b"\n")
    one = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="late")
    one.max_inflight_messages_set(20)
    connected, taken = threading.Event(), threading.Semaphore(0)
    one.on_connect = lambda *_: connected.set()
    one.on_publish = lambda *_: taken.release()
    one.connect(host, int(port))
    one.loop_start()
    assert connected.wait(30)
    print("ready", flush=True)
    sys.stdin.readline()
    begin = time.perf_counter()
    for k, payload in enumerate(payloads):
        if float(per_s):
            time.sleep(max(0.0, begin + k / float(per_s) - time.perf_counter()))
        one.publish(topic, payload, qos=1)
    for _ in payloads:
        assert taken.acquire(timeout=60)
    one.disconnect()
    one.loop_stop()


if __name__ == "__main__":
    main(*sys.argv[1:])
