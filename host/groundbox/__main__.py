"""`python -m groundbox`: the same as the command `groundbox`."""

from groundbox.cli import main

main()
