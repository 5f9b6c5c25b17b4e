"""`groundbox board`: care of a board. Each part is one module, imported only when it is asked for."""

import click

from groundbox.on_demand import OnDemand

# Name -> (module of groundbox.ui, its command, line of help).
COMMANDS = {
    "buzzer": ("cmd_board_try", "buzzer", "Sound a board's buzzer for a moment"),
    "calibrate": ("cmd_board_calibrate", "command", "Set voltage or temperature right, step by step"),
    "fans": ("cmd_board_try", "fans", "Spin each fan and judge it"),
    "install": ("cmd_board_install", "command", "Put this package's firmware on a board, with a way back"),
    "lamp": ("cmd_board_try", "lamp", "Light a board's lamp for a moment"),
    "network": ("cmd_board_network", "command", "Tell a board how to reach its broker"),
    "practice": ("cmd_board_practice", "command", "A simulated board to practise on"),
    "settings": ("cmd_board_settings", "command", "Read a board's settings, or change some"),
}


@click.group(cls=OnDemand, parts=COMMANDS, epilog="Example: groundbox board settings /dev/ttyACM0 fan_on_centi_c=3400")
def command() -> None:
    """Care of a board: firmware, settings, calibration, tests of fans, lamp and buzzer.

    Each part takes the PORT of the board, or finds the only one that is plugged in. Stop `groundbox log` before: a port
    serves one program.
    """
