"""The way to a board's prompt, against a pseudo-terminal."""

import os
import threading
import time
import tty

import pytest

from groundbox.errors import LinkError
from groundbox.maintenance import flash


@pytest.mark.parametrize("line", [b"maintenance: copy files now; a reset, or 30 minutes, ends it\r\n", b""])
def test_no_byte_is_sent_before_the_board_is_in_maintenance(line: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """Or has been silent for as long as a start takes, as a board without firmware is."""
    monkeypatch.setattr(flash, "PROMPT_S", 0.1)
    monkeypatch.setattr(flash, "STARTING_S", 1.2)
    board, port = os.openpty()
    tty.setraw(port)
    os.set_blocking(board, False)
    sent_s: list[float] = []

    def starts() -> None:
        time.sleep(0.4)
        os.write(board, b"\r\n" + line)
        while time.monotonic() < begin_s + 4 and not sent_s:
            try:
                os.read(board, 100)
                sent_s.append(time.monotonic() - begin_s)
            except BlockingIOError:
                time.sleep(0.01)

    begin_s = time.monotonic()
    thread = threading.Thread(target=starts)
    thread.start()
    with pytest.raises(LinkError, match="no MicroPython prompt"):
        flash.SerialFlash(os.ttyname(port), 0)
    thread.join()
    os.close(board)
    os.close(port)
    assert (0.4 if line else 1.2) <= sent_s[0] <= (1.0 if line else 2.5)
