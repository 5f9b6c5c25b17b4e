"""The tasks of this board beside its steps: the serial link, summaries in flash, MQTT where the file `network` is."""

import sys

import network_file
from blocks import FileBlocks
from keeper import BLOCKS, Keeper
from pins import PINS
from port import Port
from uplink_serial import SerialUplink


def links(desk):
    """One function for each, which gives what to run."""
    keeper = Keeper(desk, FileBlocks("segments", BLOCKS))
    found = [lambda: SerialUplink(desk, Port(sys.stdin.buffer, sys.stdout.buffer, PINS["write_bytes"]))]
    found.append(lambda: keeper)
    network, complaint = network_file.load()
    if complaint:
        desk.say(complaint)
    if network:
        uplink = _mqtt(desk, network)
        found.append(lambda: uplink)  # the same again: it holds a socket
    return found


def _mqtt(desk, network):
    from guard import Guard  # imported where needed: together some 20 KB
    from radio import Radio
    from uplink_mqtt import MqttUplink

    guard = Guard(network.key) if network.key else None
    return MqttUplink(desk, network, Radio(network.ssid, network.password), guard)
