"""The off-hardware bench: the real firmware, unmodified, on the real MicroPython inside a simulated box.

    image, flash        the files of a real board, and its settings, in a folder
    board/              what runs inside the interpreter: machine, time, select, onewire; power_on.py starts it
    process, wiring     the interpreter as a child process, and which pin is which thing of the box
    world               moves the box on in lockstep with the firmware, restarts the board, paces it by a clock
    box                 the simulated box; lead_acid, power, loads, fans, case, weather and senses are its parts
    happenings          what people and fate do to a box
    board_faults        what befalls the board itself; listener is its host, on a link that may lose and flip bytes
    bench               a board as fast as it goes, for tests and scenarios
    scenario            a file: box, day, faults, expectations; expect, conditions and judges are its sentences
    play, trace         a scenario's run and what was seen of it; judge_host has the host's warnings in it
    search, sweep       hunts for a case that breaks what must always hold; weighs thermostat settings
    runner, console     a board behind a port a host can open, as fast as a SimClock says
    session              the two invented boxes

Time is virtual throughout: the firmware's clock moves only as the world grants it, in slices of at most 100 ms, shorter
wherever a load switches. Inputs are those of the moment a slice begins. All fast samples (500 a second unless set) and
tachometer pulses are really delivered to the firmware's handlers, in one batch a slice and each at its own due time, so
a dip of 20 ms shows in ten samples. Computing takes no time but for 20 us a clock read.

CPython stands in where the pinned interpreter does not exist and gives the same readings to the bit.
"""
