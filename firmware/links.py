"""The links of this board: the serial one always, MQTT where the file `network` says how."""

import sys

import network_file
from pins import PINS
from port import Port
from uplink_serial import SerialUplink


def links(desk):
    """One function for each link, which gives a link to run."""
    found = [lambda: SerialUplink(desk, Port(sys.stdin.buffer, sys.stdout.buffer, PINS["write_bytes"]))]
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
