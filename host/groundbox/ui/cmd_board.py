"""`groundbox board`: maintenance of a board. Each part is one module, imported only when it is used."""

import click

from groundbox.on_demand import OnDemand

# Name -> (module of groundbox.ui, its command, line of help).
COMMANDS = {
    "buzzer": ("cmd_board_try", "buzzer", "Sound a board's buzzer for a moment"),
    "calibrate": ("cmd_board_calibrate", "command", "Calibrate voltage or temperature, step by step"),
    "fans": ("cmd_board_try", "fans", "Run each fan and report whether it is good"),
    "install": (
        "cmd_board_install",
        "command",
        "Install this package's firmware on a board; it returns to the old one on a fault",
    ),
    "lamp": ("cmd_board_try", "lamp", "Light a board's lamp for a moment"),
    "network": ("cmd_board_network", "command", "Give a board the address and secrets of its broker"),
    "practice": ("cmd_board_practice", "command", "A simulated board for practice"),
    "settings": ("cmd_board_settings", "command", "Read a board's settings, or change some"),
}


@click.group(cls=OnDemand, parts=COMMANDS, epilog="Example: groundbox board settings /dev/ttyACM0 fan_on_centi_c=3400")
def command() -> None:
    """Maintenance of a board: firmware, settings, calibration, checks of fans, lamp and buzzer.

    Each part takes the PORT of the board, or finds the only one that is plugged in. Stop `groundbox log` first: one
    program can use a port.
    """
