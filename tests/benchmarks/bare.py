"""What somebody writes in an afternoon instead: a thread for each gauge, `float`, JSON, QoS 1; nothing is kept.

Run as a program: `bare.py PORT_OF_THE_BROKER TOPIC ROWS DEVICE...`, with `-` for ROWS, or a file that each reading is
appended to and synced before it is published.
"""

from __future__ import annotations

import csv
import json
import os
import sys
import threading
import time

import serial
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion


def listen(at: int, device: str) -> None:
    """Publish whatever a gauge says."""
    with serial.Serial(device) as port:
        while True:
            digits, unit = port.readline().split()
            said = {"time": time.time(), "gauge": f"g{at}", "value": float(digits), "unit": unit.decode()}
            if file is not None:
                with lock:
                    csv.writer(file).writerow(said.values())
                    file.flush()
                    os.fsync(file.fileno())
            client.publish(f"{topic}/g{at}", json.dumps(said), qos=1)


if __name__ == "__main__":
    broker, topic, rows, *devices = sys.argv[1:]
    file = None if rows == "-" else open(rows, "w", newline="")  # noqa: PTH123, SIM115
    lock, client = threading.Lock(), Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", int(broker))
    client.loop_start()
    for at, device in enumerate(devices):
        threading.Thread(target=listen, args=(at, device)).start()
    print("ready", flush=True)
