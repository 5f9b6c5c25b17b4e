"""Builds the parts of a normal start and runs them: control, the serial link, summaries in flash, MQTT if set up."""

import asyncio
import gc
import sys

from micropython import const
from core.control import Control
from core.interface import Inputs
from drivers import board
from drivers.blocks import FileBlocks
from drivers.pins import PINS
from drivers.port import Port
from groundbox.wire.messages import EVENTS, RESET_CAUSES, UNKNOWN
from startup.saved_state import SavedTurnBack
from startup.settings_store import SettingsStore
from startup.summary_task import BLOCKS, SummaryTask
from startup.tasks import Steps, Supervisor
from uplinks import network_file
from uplinks.desk import Desk
from uplinks.outbox import Outbox
from uplinks.serial_uplink import SerialUplink

_MAX_RECORDS = const(600)  # ten minutes
_MIN_RECORDS = const(60)
_BYTES_A_RECORD = const(70)
_KEPT_FREE_BYTES = const(64000)  # for all that comes after the records; 40 KB of it stay free, for a TLS handshake
_STARTED = EVENTS.index("started")
_STARVED = EVENTS.index("starved")
_UNBROKEN = (RESET_CAUSES.index("watchdog"), RESET_CAUSES.index("soft"))  # no power was lost, and no long pause
_FALLBACK = EVENTS.index("settings_fallback")
_POWER = RESET_CAUSES.index("power")


def run(saved, hardware, cause, slot):
    """Works until the board is reset.

    Args:
        saved: startup.saved_state.SavedState of this start.
        hardware: drivers.board.Board, its outputs held and its watchdog running.
        cause: index in messages.RESET_CAUSES.
        slot: main.Slot that runs.
    """
    new_mqtt, complaint = load_mqtt()
    hardware.feed()
    desk = build(saved, hardware, cause)
    desk.slot = slot
    if complaint:
        desk.say(complaint)
    gc.threshold(-1)
    asyncio.run(Supervisor(desk, links(desk, new_mqtt)).run())


def build(saved, hardware, cause):
    """uplinks.desk.Desk with all its parts. A damaged or missing part is reported, never a reason not to start."""
    store = SettingsStore(board.box_name())
    outbox = _outbox()
    control = Control(store.values, outbox)
    control.restore(saved.place, saved.landed, saved.output1, saved.output2, cause == _POWER)
    saved_turn_back = SavedTurnBack()
    saved_turn_back.restore(control.turn_back, cause in _UNBROKEN)
    hardware.inputs = Inputs()
    hardware.fit(store.values)
    steps = Steps(hardware, control, hardware.inputs)
    desk = Desk(store, saved, hardware, control, outbox, steps, cause)
    desk.saved_turn_back = saved_turn_back
    control.event(_STARTED, cause)
    if saved.starved:
        control.event(_STARVED, UNKNOWN)
    if store.fallback:
        control.event(_FALLBACK, UNKNOWN)
    for complaint in store.complaints:
        desk.say(complaint)
    return desk


def load_mqtt():
    """(new_mqtt, why not): a function that makes the MQTT link of a desk, or None.

    To be called before the outbox takes its part of the memory: the modules take some 16 KB.
    """
    network, complaint = network_file.load()
    if network is None:
        return None, complaint
    try:
        from startup.guard import Guard
        from uplinks.mqtt_uplink import MqttUplink
        from uplinks.radio import Radio
    except MemoryError:
        return None, "mqtt: not enough memory"

    def new_mqtt(desk):
        guard = Guard(network.key) if network.key else None
        return MqttUplink(desk, network, Radio(network.ssid, network.password), guard)

    return new_mqtt, ""


def links(desk, new_mqtt):
    """One function for each task beside the steps, which gives what to run."""
    summaries = SummaryTask(desk, FileBlocks("segments", BLOCKS))
    found = [lambda: SerialUplink(desk, Port(sys.stdin.buffer, sys.stdout.buffer, PINS["write_bytes"]))]
    found.append(lambda: summaries)
    if new_mqtt:
        uplink = new_mqtt(desk)
        found.append(lambda: uplink)  # the same again: it holds a socket
    return found


def _outbox():
    """As many records as the heap has room for."""
    gc.collect()
    slots = max(_MIN_RECORDS, min(_MAX_RECORDS, (gc.mem_free() - _KEPT_FREE_BYTES) // _BYTES_A_RECORD))
    while slots > _MIN_RECORDS:
        try:
            return Outbox(slots)
        except MemoryError:  # free, but not in one piece
            slots //= 2
    return Outbox(_MIN_RECORDS)
