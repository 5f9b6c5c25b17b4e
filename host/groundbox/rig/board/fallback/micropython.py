"""The part of the `micropython` module that the firmware uses."""


def const(value):
    return value


def kbd_intr(_):
    pass


def schedule(function, argument):
    function(argument)
