"""What the firmware uses of MicroPython's own module."""


def const(value):
    return value


def kbd_intr(_):
    pass


def schedule(function, argument):
    function(argument)
