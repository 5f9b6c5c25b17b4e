"""The rig: the real firmware, unmodified, on the real MicroPython against a simulated box, in virtual time.

    image               the files of a real board, in a folder used as its flash
    board/              the modules inside the interpreter: machine, time, select, onewire; power_on.py starts it
    process             the interpreter as a child process, and which pin is which thing of the box
    world               advances the box in lockstep with the firmware, and restarts the board
    bench               a board as fast as possible in this thread, or behind a port at the speed of a SimClock
    box                 the simulated box, made of electric (battery, charger, loads), heat (case, fans, weather) and
                        senses (the board's sensors)
    changes             faults and other changes of box and board; console has those of host and link
    console             the board's serial line: for a test, for a port, or for a scenario's host (SimHost)
    scenario            a scenario, made from its scenario_file
    expect              the sentences a scenario expects; conditions and judges decide them
    play, trace         a scenario's run, with the host's warnings, and its record
    search, sweep       searches for a case that breaks an invariant; compares thermostat settings
    demo_boxes          the two invented boxes

Time is virtual: the firmware's clock advances only as World grants it, in slices of at most 100 ms, shorter where a
load switches. Inputs are those of the moment a slice begins. All fast samples (500 a second unless set) and tachometer
pulses are delivered to the firmware's handlers, in one batch a slice and each at its own due time, so a dip of 20 ms
shows in ten samples. Computing takes no time except 20 us for each read of the clock.

CPython is used where the pinned interpreter is not installed, and gives the same readings to the bit.
"""
