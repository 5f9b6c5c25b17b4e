"""Draws the circuit into hardware/*.svg: `python -m hardware.draw` (needs schemdraw). Values come from values.py.

case.svg is drawn by hand.
"""

from pathlib import Path

import schemdraw
import schemdraw.elements as e
from hardware import values as v
from hardware.values import farad, ohm

HERE = Path(__file__).parent
BELOW = {"loc": "bottom", "fontsize": 9}
schemdraw.use("svg")
schemdraw.config(bgcolor="white", margin=0.7)


def _sheet(name: str) -> schemdraw.Drawing:
    return schemdraw.Drawing(file=str(HERE / name), show=False, unit=2.4, fontsize=12, lw=1.6, color="#1a1a1a")


def _down_to_ground(top: tuple[float, float], part: e.Element2Term) -> None:
    part.at(top).down()
    e.Ground()


def _pin(name: str) -> None:
    e.Dot(open=True).label(name, loc="right")


def power() -> None:
    """Battery to loads, charge port, board supply."""
    with _sheet("power.svg"):
        battery = e.Battery().up().reverse().label("12 V\nbattery", loc="top")
        e.Ground().at(battery.start)
        e.Line().at(battery.end).right().length(2.0)
        terminal = e.Dot()
        e.Fuse().right().label(f"F1 {v.BATTERY_FUSE_AMPS} A").label(
            "within 15 cm\nof the terminal", loc="bottom", fontsize=9
        )
        e.RBox().right().label("Q1").label("reverse polarity\nP-FET, 8 mΩ hot", **BELOW)
        e.Resistor().right().label(f"RS1 {ohm(v.SHUNT_OHM)}").label(
            "U3 across it\n(sense.svg)", loc="bottom", fontsize=9
        )
        e.Line().right().length(0.6)
        bus = e.Dot()
        e.Line().right().length(1.8).label("12 V bus", loc="top", fontsize=10)
        clamp_at = e.Dot()
        _down_to_ground(clamp_at.center, e.Zener().reverse().label(f"D1\n{v.BUS_CLAMP[0]:g} V", loc="bottom"))
        e.Line().at(clamp_at.center).right().length(1.6)
        e.Fuse().right().label(f"F2, F3 {v.EQUIPMENT_FUSE_AMPS} A")
        e.Line().right().length(0.4).label("equipment, fans, outputs\n(fans.svg, switch.svg)", loc="right")
        e.Line().at(bus.center).up().length(3.4)
        e.Line().right().length(0.8)
        e.RBox().right().label("Q2 Q3").label(f"U4 opens\nabove {v.PORT_OPENS_VOLTS:g} V", **BELOW)
        e.Line().right().length(0.6)
        port_at = e.Dot()
        _down_to_ground(
            port_at.center, e.Zener().reverse().label(f"D2\n{v.PORT_CLAMP[0]:g} V", loc="bottom").length(1.8)
        )
        e.Fuse().at(port_at.center).right().label("F6 7.5 A")
        e.Line().right().length(0.4).label("charge port +", loc="right")
        e.Line().at(bus.center).down().length(4.2)
        e.Fuse().right().label(f"F4 {v.BOARD_FUSE_AMPS} A")
        e.Schottky().right().label("D3")
        e.Resistor().right().label(f"R30 {ohm(v.INRUSH_OHM)}")
        hold = e.Dot()
        _down_to_ground(hold.center, e.Capacitor(polar=True).label(f"C1\n{farad(v.HOLD_UP_FARAD)}", loc="bottom"))
        e.Line().at(hold.center).right().length(0.4)
        e.RBox().right().label("U1").label("5.1 V", **BELOW)
        e.Schottky().right().label("D4")
        e.Dot(open=True).label("5 V to the board,\nisolator and USB: link.svg", loc="right")
        e.Line().at(terminal.center).down().length(2.0)
        e.Fuse().down().label(f"F5 {v.SENSE_FUSE_AMPS:g} A", loc="bottom")
        e.Line().down().length(0.4)
        e.Dot(open=True).label(
            "S+, sensing only; twisted\nwith the board's own minus\nwire from the minus terminal", loc="right"
        )


def sense() -> None:
    """Divider with clamp and reference, thermistor, monitor."""
    with _sheet("sense.svg"):
        e.Dot(open=True).label("S+", loc="left")
        e.Line().right().length(0.5)
        split = e.Dot()
        e.Resistor().at(split.center).right().label(f"R1 {ohm(v.DIVIDER_TOP_OHM)} 0.1 %")
        node = e.Dot()
        _down_to_ground(node.center, e.Resistor().label(f"R2 {ohm(v.DIVIDER_BOTTOM_OHM)}\n0.1 %", loc="bottom"))
        e.Line().at(node.center).right().length(2.4)
        clamp_at = e.Dot()
        e.Diode().at(clamp_at.center).up().length(1.7).label("D6", loc="bottom")
        e.Vdd().label(f"{v.RAIL_VOLTS:g} V")
        _down_to_ground(clamp_at.center, e.Diode().reverse().label("D6", loc="bottom"))
        e.Resistor().at(clamp_at.center).right().label(f"R3 {ohm(v.DIVIDER_SERIES_OHM)}")
        pin = e.Dot()
        _down_to_ground(pin.center, e.Capacitor().label(f"C2\n{farad(v.DIVIDER_FARAD)}", loc="bottom"))
        e.Line().at(pin.center).right().length(0.8)
        _pin("divider pin")
        e.Line().at(split.center).down().length(5.0)
        e.Resistor().right().label(f"R7 {ohm(v.MONITOR_SERIES_OHM)}")
        bus = e.Dot()
        _down_to_ground(bus.center, e.Diode().reverse().label("D7", loc="bottom"))
        e.Line().at(bus.center).right().length(1.8)
        cap = e.Dot()
        _down_to_ground(cap.center, e.Capacitor().label(f"C3\n{farad(v.MONITOR_FILTER_FARAD)}", loc="bottom"))
        e.Line().at(cap.center).right().length(6.2)
        monitor = (
            e.Ic(
                pins=[
                    e.IcPin(name="bus", side="left", slot="3/3"),
                    e.IcPin(name="in +", side="left", slot="2/3"),
                    e.IcPin(name="in −", side="left", slot="1/3"),
                    e.IcPin(name="data", side="right", slot="3/3"),
                    e.IcPin(name="clock", side="right", slot="2/3"),
                ],
                size=(3.0, 4.2),
                plblsize=11,
            )
            .anchor("bus")
            .label("U3, 36 V shunt monitor", loc="top")
        )
        for name in ("data", "clock"):
            e.Line().at(monitor[name]).right().length(0.4)
            _pin(f"I2C {name} pin")
        e.Resistor().at(monitor["in +"]).left().length(2.0).label(f"R5 {ohm(v.MONITOR_FILTER_OHM)}", fontsize=10)
        plus = e.Dot(open=True).label("RS1, battery side", loc="left", fontsize=10)
        e.Resistor().at(monitor["in −"]).left().length(2.0).label(f"R6 {ohm(v.MONITOR_FILTER_OHM)}", fontsize=10)
        e.Dot(open=True).label("RS1, bus side", loc="left", fontsize=10)
        e.Capacitor().at((plus.center[0] + 1.85, plus.center[1])).toy(monitor["in −"]).label(
            "C4", loc="top", fontsize=10
        )
        e.Vdd().at((19.0, 0)).label(f"{v.RAIL_VOLTS:g} V")
        e.Resistor().down().label(f"R4 {ohm(v.REFERENCE_FEED_OHM)}", loc="bottom")
        reference = e.Dot()
        _down_to_ground(reference.center, e.Zener().reverse().label(f"U2\n{v.REFERENCE_VOLTS:.3f} V", loc="bottom"))
        e.Line().at(reference.center).left().length(0.6)
        e.Dot(open=True).label("reference pin", loc="left")
        e.Line().at(reference.center).right().length(2.8)
        e.Resistor().down().label(f"R8 {ohm(v.NTC_PULLUP_OHM)}\n0.1 %", loc="bottom")
        warm = e.Dot()
        _down_to_ground(warm.center, e.Thermistor().label(f"TH1\n{ohm(v.NTC_OHM)}", loc="top"))
        e.Resistor().at(warm.center).right().label(f"R11 {ohm(v.NTC_SERIES_OHM)}")
        filtered = e.Dot()
        _down_to_ground(filtered.center, e.Capacitor().label(f"C5\n{farad(v.NTC_FARAD)}", loc="bottom"))
        e.Line().at(filtered.center).right().length(0.6)
        _pin("NTC pin")


def fans() -> None:
    """4-wire drive and tachometer."""
    with _sheet("fans.svg"):
        e.Dot(open=True).label("drive pin", loc="left")
        e.Line().right().length(0.5)
        gate = e.Dot()
        _down_to_ground(gate.center, e.Resistor().length(1.8).label("R14 100 k", loc="top"))
        e.Line().at(gate.center).right().length(1.2)
        q = e.NFet().reverse().anchor("gate").theta(0).label("Q4", loc="left", ofst=(0.1, 0.5))
        e.Ground().at(q.source)
        e.Line().at(q.drain).up().length(0.4)
        e.Resistor().right().label(f"R18 {ohm(v.CONTROL_SERIES_OHM)}")
        e.Line().right().length(1.6)
        fan = (
            e.Ic(
                pins=[
                    e.IcPin(name="control", side="left", slot="2/2"),
                    e.IcPin(name="tach", side="left", slot="1/2"),
                    e.IcPin(name="+12 V", side="right", slot="2/2"),
                    e.IcPin(name="minus", side="right", slot="1/2"),
                ],
                size=(3.6, 5.6),
                plblsize=11,
            )
            .anchor("control")
            .label("4-wire fan", loc="top")
        )
        e.Line().at(fan["+12 V"]).right().length(0.8)
        smooth = e.Dot()
        _down_to_ground(smooth.center, e.Capacitor(polar=True).label(f"C12\n{farad(v.FAN_FILTER_FARAD)}", loc="bottom"))
        e.Inductor2().at(smooth.center).right().label(f"L1 {v.FAN_FILTER_HENRY * 1e6:g} µH")
        _pin("12 V bus")
        e.Ground().at(fan["minus"])
        e.Line().at(fan["tach"]).left().length(1.4)
        tach = e.Dot()
        e.Resistor().at(tach.center).up().length(1.8).label(f"R22 {ohm(v.TACH_PULLUP_OHM)}", loc="bottom")
        e.Vdd().label(f"{v.RAIL_VOLTS:g} V")
        e.Resistor().at(tach.center).left().label(f"R26 {ohm(v.TACH_SERIES_OHM)}")
        quiet = e.Dot()
        _down_to_ground(quiet.center, e.Capacitor().label(f"C8\n{farad(v.TACH_FARAD)}", loc="bottom"))
        e.Line().at(quiet.center).left().length(1.4)
        e.Dot(open=True).label("tach pin", loc="left")


def switch() -> None:
    """The switch that is on by default."""
    with _sheet("switch.svg"):
        e.Dot(open=True).label("12 V bus", loc="left")
        e.Line().right().length(3.6)
        rail = e.Dot()
        q10 = e.BjtPnp().anchor("emitter").theta(0).label("Q10", loc="right")
        e.Line().at(q10.base).left().length(0.6)
        e.Resistor().down().label(ohm(v.GATE_BASE_OHM), loc="bottom")
        q9 = e.NFet().reverse().anchor("drain").theta(0).label("Q9", loc="left", ofst=(0.1, 0.5))
        e.Ground().at(q9.source)
        e.Line().at(q9.gate).left().length(0.6)
        gate = e.Dot()
        _down_to_ground(gate.center, e.Resistor().label("100 k", loc="bottom"))
        e.Line().at(gate.center).left().length(0.5)
        e.Dot(open=True).label("drive or output pin\nhigh = off", loc="left")
        held = e.Dot().at(q10.collector)
        _down_to_ground(held.center, e.Resistor().label(ohm(v.GATE_OHM), loc="bottom"))
        e.Line().at(rail.center).right().length(1.9)
        at = e.Dot()
        e.Line().at(held.center).right().length(1.9)
        gate_at = e.Dot()
        e.Zener().at(gate_at.center).toy(at.center).label("12 V", loc="bottom")
        e.Line().at(at.center).right().length(1.9)
        q8 = e.RBox().right().label("Q8 P-FET")
        e.Line().at(gate_at.center).tox(q8.center)
        e.Line().up().toy(q8.center[1] - 0.3).label("gate", loc="bottom", fontsize=10)
        e.Line().at(q8.end).right().length(0.6)
        load = e.Dot()
        e.Line().at((q8.center[0], gate_at.center[1])).tox(load.center[0])
        e.Capacitor().toy(load.center[1]).label(farad(v.GATE_FARAD), loc="bottom")
        e.Line().at(load.center).right().length(2.0)
        back = e.Dot()
        _down_to_ground(back.center, e.Schottky().reverse().label("D10", loc="bottom"))
        e.Line().at(back.center).right().length(0.6)
        _pin("load +")


def link() -> None:
    """Isolated USB; nothing crosses between USB 5 V and the box."""

    def block(x: float, left: bool, right: bool, label: str) -> e.Ic:
        names = ("ground", "data", "5 V")
        sides = [(side, mark) for side, mark, there in (("left", "<", left), ("right", ">", right)) if there]
        pins = [
            e.IcPin(name=name, anchorname=mark + name, side=side, slot=f"{i + 1}/3")
            for side, mark in sides
            for i, name in enumerate(names)
        ]
        return e.Ic(pins=pins, size=(3.8, 3.4), plblsize=11).at((x, 0)).label(label, loc="top")

    with _sheet("link.svg"):
        computer = block(0, False, True, "computer")
        isolator = block(7.0, True, True, "U5, 2.5 kV")
        board = block(15.6, True, False, "board")
        for name in ("5 V", "data", "ground"):
            e.Line().at(computer[">" + name]).to(isolator["<" + name])
        e.Line().at((8.9, 0.3)).to((8.9, 3.1)).linestyle("--")
        for name in ("data", "ground"):
            e.Line().at(isolator[">" + name]).to(board["<" + name])
        e.Line().at(isolator[">5 V"]).right().length(1.4)
        supply = e.Dot()
        e.Line().at(supply.center).to(board["<5 V"])
        e.Line().at(supply.center).up().length(0.8)
        e.Schottky().up().length(1.6).reverse().label("D4", loc="bottom")
        e.Dot(open=True).label("box 5.1 V from U1", loc="right")
        shield = "the cable's shield is joined to the\ncase at the box end only, and\ncarries no current"
        supply_text = "this side of U5 is fed by the box's 5 V:\nno box power, no USB;\nno USB 5 V into the box"
        for x, words in ((1.9, shield), (13.2, supply_text)):
            e.Label().at((x, -0.9)).label(words, halign="center", fontsize=10)


SHEETS = (power, sense, fans, switch, link)


def main() -> None:
    """Every sheet."""
    for sheet in SHEETS:
        sheet()


if __name__ == "__main__":
    main()
