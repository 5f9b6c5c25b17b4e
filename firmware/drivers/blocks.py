"""Flash blocks for core.segments on a file system: one file a block, each exactly one erase block of it.

A file system for flash copies a file's block on writing, so that each append costs one of its erases; it spreads them
over the whole flash by itself.
"""

import os

from drivers.segments import BLOCK
from micropython import const

_PIECE = const(256)


class FileBlocks:
    """Blocks as files in a folder.

    Args:
        folder: made when absent.
        blocks: how many.
    """

    def __init__(self, folder, blocks):
        self.blocks = blocks
        self._folder = folder
        try:
            os.mkdir(folder)
        except OSError:  # it is there
            pass

    def read_into(self, block, offset, buffer):
        """Fills `buffer`; with zeros what is not there."""
        for i in range(len(buffer)):
            buffer[i] = 0
        try:
            with open(self._path(block), "rb") as file:
                file.seek(offset)
                file.readinto(buffer)
        except OSError:
            pass

    def program(self, block, offset, data):
        """Writes erased bytes. OSError: flash does not take it."""
        with open(self._path(block), "r+b") as file:
            file.seek(offset)
            file.write(data)

    def erase(self, block):
        """Makes every byte of the block 255. OSError: flash does not take it."""
        erased = b"\xff" * _PIECE
        with open(self._path(block), "wb") as file:
            for _ in range(BLOCK // _PIECE):
                file.write(erased)

    def _path(self, block):
        return "%s/%03d" % (self._folder, block)
