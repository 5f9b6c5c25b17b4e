"""The tasks of this board beside its steps: the serial link, summaries in flash, MQTT where the file `network` is."""

import sys

import network_file
from blocks import FileBlocks
from keeper import BLOCKS, Keeper
from pins import PINS
from port import Port
from uplink_serial import SerialUplink


def load():
    """(new_mqtt, why not): a function that makes the MQTT link of a desk, or None.

    To be called before the outbox takes its share of the memory: the modules take some 16 KB.
    """
    network, complaint = network_file.load()
    if network is None:
        return None, complaint
    try:
        from guard import Guard
        from radio import Radio
        from uplink_mqtt import MqttUplink
    except MemoryError:
        return None, "mqtt: not enough memory"

    def new_mqtt(desk):
        guard = Guard(network.key) if network.key else None
        return MqttUplink(desk, network, Radio(network.ssid, network.password), guard)

    return new_mqtt, ""


def links(desk, new_mqtt):
    """One function for each, which gives what to run."""
    keeper = Keeper(desk, FileBlocks("segments", BLOCKS))
    found = [lambda: SerialUplink(desk, Port(sys.stdin.buffer, sys.stdout.buffer, PINS["write_bytes"]))]
    found.append(lambda: keeper)
    if new_mqtt:
        uplink = new_mqtt(desk)
        found.append(lambda: uplink)  # the same again: it holds a socket
    return found
