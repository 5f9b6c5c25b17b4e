"""The simulated board's peripherals, on both interpreters: what a program sees of pins, converters, buses and time."""

from collections.abc import Callable
from pathlib import Path

import pytest

from groundbox.errors import LinkError
from groundbox.rig import process

Run = Callable[..., list[str]]


def test_time_passes_only_by_waiting_and_a_little_by_looking(run: Run) -> None:
    lines = run(
        "import time\n"
        "a = time.ticks_us(); b = time.ticks_us(); print(b - a)\n"
        "a = time.ticks_ms(); time.sleep_ms(250); print(time.ticks_diff(time.ticks_ms(), a))\n"
        "a = time.ticks_ms()\n"
        "while time.ticks_diff(time.ticks_ms(), a) < 100: pass\n"
        "print('spun')\n"
    )
    assert lines == ["20", "250", "spun"]


def test_ticks_wrap_as_on_a_board(run: Run) -> None:
    """A 32-bit board's ticks have 30 bits."""
    lines = run(
        "import time\n"
        "a = time.ticks_ms(); print(a); time.sleep_ms(1000)\n"
        "b = time.ticks_ms(); print(b < a, time.ticks_diff(b, a), time.ticks_add(a, 1000) == b)\n",
        ticks_start_ms=2**30 - 500,
    )
    assert lines == [str(2**30 - 500), "True 1000 True"]


def test_a_fast_timer_runs_in_every_slice_and_a_slow_one_ends_it(run: Run) -> None:
    lines = run(
        "import time\n"
        "from machine import Timer\n"
        "fast = []; slow = []\n"
        "def tick(t): fast.append(time.ticks_us())\n"
        "kept = [Timer(-1), Timer(-1)]; kept[0].init(mode=Timer.PERIODIC, freq=500, callback=tick, hard=True)\n"
        "kept[1].init(mode=Timer.ONE_SHOT, period=300, callback=lambda t: slow.append(time.ticks_ms()))\n"
        "time.sleep_ms(1000)\n"
        "print(len(fast), {b - a for a, b in zip(fast, fast[1:])}, slow)\n"
    )
    assert lines == ["500 {2000} [300]"]


def test_a_failing_timer_is_reported_and_stopped(run: Run) -> None:
    lines = run(
        "import time\n"
        "from machine import Timer\n"
        "kept = Timer(-1); kept.init(mode=Timer.PERIODIC, freq=500, callback=lambda t: 1 // 0)\n"
        "time.sleep_ms(100)\n"
        "print('on')\n"
    )
    assert lines[-1] == "on"
    assert sum("ZeroDivisionError" in line for line in lines) == 1


def test_a_tachometer_pin_counts_pulses(run: Run) -> None:
    """Open 4-wire fan specification: 3000 rpm is 100 pulses a second. A floating drive pin means full speed."""
    lines = run(
        "import time\n"
        "from machine import Pin\n"
        "from drivers.pins import PINS\n"
        "n = [0]\n"
        "def count(pin): n[0] += 1\n"
        "time.sleep_ms(8000)\n"
        "Pin(PINS['fan_tachs'][0], Pin.IN).irq(count, Pin.IRQ_FALLING, hard=True)\n"
        "time.sleep_ms(10000); print(n[0])\n"
        "Pin(PINS['fan_tachs'][0], Pin.IN).irq(None, Pin.IRQ_FALLING); time.sleep_ms(1000); print(n[0])\n",
        seconds=20,
    )
    assert lines == ["1000", "1000"]


def test_a_fan_drive_low_is_full_speed(run: Run) -> None:
    lines = run(
        "import time\n"
        "from machine import Pin, PWM\n"
        "from drivers.pins import PINS\n"
        "n = [0]\n"
        "def count(pin): n[0] += 1\n"
        "Pin(PINS['fan_tachs'][0], Pin.IN).irq(count, Pin.IRQ_FALLING)\n"
        "drive = PWM(Pin(PINS['fan_drives'][0]), freq=25000, duty_u16=32768)\n"
        "time.sleep_ms(8000); n[0] = 0; time.sleep_ms(2000); print(n[0])\n"
        "drive.duty_u16(65535); time.sleep_ms(20000); n[0] = 0; time.sleep_ms(2000); print(n[0])\n",
        seconds=40,
    )
    assert lines == ["100", "0"]


def test_converter_has_twelve_bits_and_clips(run: Run) -> None:
    """10 k thermistor at 25 C against 10 k: half of the reference; open: all of it."""
    read = "from machine import ADC, Pin\nfrom drivers.pins import PINS\nprint(ADC(Pin(PINS['ntc'][0])).read_u16())\n"
    assert int(run(read)[0]) == 0x7FF7 or int(run(read)[0]) == 0x8008
    assert run("import time\ntime.sleep_ms(1500)\n" + read, changes=(("case", "open"),)) == ["65535"]
    assert run("import time\ntime.sleep_ms(1500)\n" + read, changes=(("case", "shorted"),)) == ["0"]


_MONITOR = (
    "import time\n"
    "from machine import I2C, Pin\n"
    "i2c = I2C(0, scl=Pin(5), sda=Pin(4), freq=400000)\n"
    "def read(r):\n"
    "    b = bytearray(2); i2c.readfrom_mem_into(0x40, r, b); return b[0] << 8 | b[1]\n"
    "time.sleep_ms(8000)\n"
)


@pytest.mark.parametrize(("monitor", "identity"), [(1, 0x5449), (2, 0)])
def test_shunt_monitor_is_found_and_scaled(run: Run, monitor: int, identity: int) -> None:
    """INA226: 1.25 mV and 2.5 uV a step; INA219: 4 mV (from bit 3) and 10 uV. Data sheets, register tables."""
    lines = run(
        _MONITOR + "print(i2c.scan(), read(0xFE))\n"
        "bus, shunt = read(2), read(1)\n"
        "i2c.writeto_mem(0x40, 5, bytes((0x0A, 0x00))); print(bus, shunt, read(4))\n",
        seconds=10,
        monitor=monitor,
    )
    assert lines[0] == f"[64] {identity}"
    bus, shunt, current = map(int, lines[1].split())
    volts = bus * 1.25e-3 if monitor == 1 else (bus >> 3) * 4e-3
    millivolts = shunt * (2.5e-3 if monitor == 1 else 10e-3)
    assert 12.7 < volts < 12.95
    assert 0.3 < millivolts / 2 < 0.7  # two fans and the board over 2 milliohm, in amps
    assert current == shunt * 0x0A00 // (2048 if monitor == 1 else 4096)


def test_a_silent_monitor_raises_as_on_a_board(run: Run) -> None:
    program = _MONITOR + "try:\n    read(2)\nexcept OSError as error:\n    print(error.args[0], i2c.scan())\n"
    assert run(program, seconds=10, changes=(("monitor", "silent"),)) == ["5 []"]


_PROBE = (
    "import time\n"
    "from machine import Pin\n"
    "from onewire import OneWire\n"
    "from drivers.pins import PINS\n"
    "bus = OneWire(Pin(PINS['onewire'][0]))\n"
    "def scratch():\n"
    "    if not bus.reset(): return None\n"
    "    bus.writebyte(0xCC); bus.writebyte(0xBE); return [bus.readbyte() for _ in range(9)]\n"
    "time.sleep_ms(1000)\n"
)


def test_onewire_sensor_needs_its_time(run: Run) -> None:
    """DS18B20: 85 C (0x0550) until the first conversion, whose CRC byte is 0x1C; 25 C is 0x0190 after 750 ms."""
    lines = run(
        _PROBE + "print(scratch())\n"
        "bus.reset(); bus.writebyte(0xCC); bus.writebyte(0x44)\n"
        "time.sleep_ms(700); print(scratch()[:2]); time.sleep_ms(100); s = scratch(); print(s[:2], bus.crc8(s))\n",
        seconds=4,
    )
    assert lines == ["[80, 5, 75, 70, 127, 255, 12, 16, 28]", "[80, 5]", "[144, 1] 0"]


def test_broken_onewire_lines(run: Run) -> None:
    """No sensor: no presence pulse. A line to ground answers all zeros, whose CRC fits."""
    assert run(_PROBE + "print(scratch())\n", changes=(("case", "open"),)) == ["None"]
    assert run(_PROBE + "print(sum(scratch()))\n", changes=(("case", "shorted"),)) == ["0"]


_CAUSE = "import machine, time\nprint(machine.reset_cause())\n"


def test_the_watchdog_resets_a_program_that_waits(run: Run) -> None:
    lines = run(
        _CAUSE + "w = machine.WDT(timeout=1000)\nfor _ in range(3): time.sleep_ms(900); w.feed()\ntime.sleep(9)\n",
        seconds=5,
    )
    assert lines == ["1", "3"]


def test_the_watchdog_resets_a_program_that_spins(run: Run) -> None:
    lines = run(_CAUSE + "machine.WDT(timeout=1000)\nwhile True: time.ticks_ms()\n", seconds=2)
    assert lines == ["1", "3"]


def test_a_reset_starts_again_and_a_soft_one_keeps_the_cause(run: Run) -> None:
    assert run(_CAUSE + "time.sleep_ms(200)\nmachine.reset()\n", seconds=1.8) == ["1", "3", "3"]
    assert run(_CAUSE + "time.sleep_ms(200)\nmachine.soft_reset()\n", seconds=1.8) == ["1", "1", "1"]


def test_a_program_that_fails_prints_its_error_and_waits(run: Run) -> None:
    lines = run("import machine\nprint(machine.reset_cause())\n1 // 0\n", seconds=5)
    assert lines[0] == "1"
    assert lines[-1].startswith("ZeroDivisionError")
    assert len([line for line in lines if line == "1"]) == 1


def test_random_bytes_come_from_the_seed(run: Run) -> None:
    program = "import os\nprint(list(os.urandom(4)))\n"
    assert run(program) == run(program) != run(program, seed=2)


def test_a_program_that_never_looks_at_its_clock_is_ended(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Simulated time does not advance for it; real time shows it."""
    monkeypatch.setattr(process, "_HUNG_MS", 1500)
    assert run(_CAUSE + "time.sleep_ms(100)\nif machine.reset_cause() == 1:\n    while True: pass\n") == ["1", "3"]


def test_an_interpreter_that_does_not_start_is_reported(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(process, "BOARD_CODE", Path("/nowhere"))
    with pytest.raises(LinkError, match="python does not run the board: .*nowhere/power_on.py"):
        run("")
