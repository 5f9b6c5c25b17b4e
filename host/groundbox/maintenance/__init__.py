"""Maintenance of a board: what `groundbox board` does.

dialogue     sends commands to a running board on its own port, one at a time
flash        files on a board at its prompt, or in a folder
install      firmware into the free slot, compared with what was sent, on trial at the next start
settings     NAME=VALUE in; rows with range, unit and meaning out
calibration  correction lines and the errors that remain: pure
fan_check    the finding on each fan: pure
"""
