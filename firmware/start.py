"""Builds the parts of a normal start and runs them."""

import asyncio
import gc

import board
import micropython
from micropython import const
from core.control import Control, Inputs
from core.outbox import Outbox
from desk import Desk
from groundbox.wire.messages import EVENTS, UNKNOWN
from links import links, load
from storage import SettingsFile
from tasks import Steps, Supervisor

_MOST_RECORDS = const(600)  # ten minutes
_LEAST_RECORDS = const(60)
_FREE_BYTES_A_RECORD = const(200)  # a record takes a third of that
_STARTED = EVENTS.index("started")
_FALLBACK = EVENTS.index("settings_fallback")


def run(kept, hardware, cause, slot):
    """Works until the board is reset.

    Args:
        kept: kept.Kept of this start.
        hardware: board.Board, its outputs held already.
        cause: index in messages.RESET_CAUSES.
        slot: main.Slot that runs.
    """
    hardware.guard()
    new_mqtt, complaint = load()
    desk = build(kept, hardware, cause)
    desk.slot = slot
    if complaint:
        desk.say(complaint)
    gc.threshold(-1)
    micropython.kbd_intr(-1)  # byte 3 may come on a data port; the way in is a maintenance restart
    try:
        asyncio.run(Supervisor(desk, links(desk, new_mqtt)).run())
    finally:
        micropython.kbd_intr(3)


def build(kept, hardware, cause):
    """desk.Desk with all its parts. What is damaged or missing is told, never a reason not to start."""
    file = SettingsFile(board.box_name())
    outbox = _outbox()
    control = Control(file.values, outbox)
    control.restore(kept.place, kept.landed, kept.output1, kept.output2)
    hardware.inputs = Inputs()
    hardware.fit(file.values)
    steps = Steps(hardware, control, hardware.inputs)
    desk = Desk(file, kept, hardware, control, outbox, steps, cause)
    control.event(_STARTED, cause)
    if file.fallback:
        control.event(_FALLBACK, UNKNOWN)
    for complaint in file.complaints:
        desk.say(complaint)
    return desk


def _outbox():
    """As many records as the heap has room for."""
    gc.collect()
    slots = min(_MOST_RECORDS, gc.mem_free() // _FREE_BYTES_A_RECORD)
    while slots > _LEAST_RECORDS:
        try:
            return Outbox(slots)
        except MemoryError:  # there, but not in one piece
            slots //= 2
    return Outbox(_LEAST_RECORDS)
