"""Care of a board: what `groundbox board` does beyond asking for words.

dialogue            asks a running board, one question at a time, on a port of its own
slots, flash        which slot of firmware is free; files on a board at its prompt, or in a folder
install             firmware into the free slot, compared with what was sent, to be tried
settings            NAME=VALUE in, rows with range, unit and meaning out
calibration, spin   the arithmetic of calibrations and of the fans' test: pure
"""
