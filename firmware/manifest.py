"""What is installed on a board: (path in the source tree or package, path in a slot of the board).

`firmware/` is the folder this file is in; `wire/` is `groundbox/wire`, the code both sides share. A folder name means
every .py file directly in it. Nothing here is imported on the board.
"""

FILES = (
    ("firmware/core/", "core/"),
    ("firmware/drivers/", "drivers/"),
    ("firmware/uplinks/", "uplinks/"),
    ("firmware/startup/", "startup/"),
    ("wire/__init__.py", "groundbox/wire/__init__.py"),
    ("wire/auth.py", "groundbox/wire/auth.py"),
    ("wire/messages.py", "groundbox/wire/messages.py"),
    ("wire/line.py", "groundbox/wire/line.py"),
    ("wire/settings.py", "groundbox/wire/settings.py"),
)
SELECTOR = "main.py"  # beside the slots: chooses one
