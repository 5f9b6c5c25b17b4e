"""Bits flipped at random on the line, decoded as the host decodes: no wrong message may be accepted.

`python -m tests.benchmarks line_flips [MESSAGES] [--keep]`: so many at each rate (10,000,000 where none is given), and
with --keep the counts go to faults.md. Lines that no flip touched are, byte for byte, those that were decoded before:
they are not decoded again. All others go through the decoder, with the line behind each, which they may spoil.
"""

import argparse
import random
import time
from collections.abc import Iterator

import numpy as np
from tests.benchmarks.faults import keep

from groundbox.link.decode import Decoder, Frame, OtherRegistry
from groundbox.wire.line import encode
from groundbox.wire.messages import BY_NAME

RATES = (1e-5, 1e-4, 1e-3)
LINES = 2000
MIX = ("reading",) * 12 + ("event", "summary", "hello", "health", "clock", "answer")


class Traffic:
    """LINES lines of random values of a board, as they were before any harm.

    Attributes:
        frames: what they say, in order.
        data: their bytes.
        ends: where each ends in `data`.
    """

    def __init__(self, dice: random.Random) -> None:
        lines = []
        for _ in range(LINES):
            name = dice.choice(MIX)
            lines.append(encode(name, [_value(field, dice) for field in BY_NAME[name][3]]))
        self.data = np.frombuffer(b"".join(lines), np.uint8)
        self.ends = np.cumsum([len(one) for one in lines])
        found = Decoder().feed(self.data.tobytes())
        self.frames = [one for one in found if isinstance(one, Frame)]
        assert len(self.frames) == len(found) == LINES

    def flipped(self, rate: float, dice: np.random.Generator) -> Iterator[tuple[int, int, bytes]]:
        """(first line, line behind the last, bytes) of each stretch that flips at `rate` a bit have touched."""
        bits = dice.integers(0, self.data.size * 8, dice.binomial(self.data.size * 8, rate))
        data = self.data.copy()
        np.bitwise_xor.at(data, bits // 8, (1 << (bits % 8)).astype(np.uint8))
        touched = np.unique(np.searchsorted(self.ends, bits // 8, side="right"))
        for stretch in np.split(touched, np.flatnonzero(np.diff(touched) > 2) + 1) if touched.size else ():
            first, behind = int(stretch[0]), min(int(stretch[-1]) + 2, LINES)
            begin = self.ends[first - 1] if first else 0
            yield first, behind, data[begin : self.ends[behind - 1]].tobytes()


def _value(field: tuple[str, str | tuple[str, ...], int, int], dice: random.Random) -> int | str | None:
    _, code, low, high = field
    if dice.random() < 0.1:
        return None
    if isinstance(code, tuple):
        return dice.choice(code)
    if code == "s":
        return "".join(dice.choice("abcdefghijklmnop0123456789") for _ in range(dice.randint(low, high)))
    return dice.randint(low, high)


def campaign(messages: int, rate: float, seed: int) -> tuple[int, int, int]:
    """(sent, accepted as sent, accepted but never sent) of at least `messages`."""
    dice, flips = random.Random(seed), np.random.default_rng(seed)
    sent = accepted = invented = 0
    while sent < messages:
        if sent % (LINES * 50) == 0:
            traffic = Traffic(dice)
        sent += LINES
        accepted += LINES
        for first, behind, data in traffic.flipped(rate, flips):
            whole, wrong = _judged(traffic.frames[first:behind], data)
            accepted += whole - (behind - first)
            invented += wrong
    return sent, accepted, invented


def _judged(frames: list[Frame], data: bytes) -> tuple[int, int]:
    """How many of `frames` came out of `data`, in order, and how many messages did that are none of them."""
    whole = wrong = at = 0
    for found in Decoder().feed(data):
        if isinstance(found, OtherRegistry):
            wrong += 1
        elif isinstance(found, Frame):
            try:
                at = frames.index(found, at) + 1
                whole += 1
            except ValueError:
                wrong += 1
    return whole, wrong


def main(arguments: list[str]) -> None:
    """Runs each rate and prints its counts."""
    parser = argparse.ArgumentParser(
        prog="line_flips", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("messages", type=int, nargs="?", default=10_000_000)
    parser.add_argument("--keep", action="store_true", help="put the counts into faults.md")
    options = parser.parse_args(arguments)
    rows = []
    for number, rate in enumerate(RATES):
        began_s = time.monotonic()
        sent, accepted, invented = campaign(options.messages, rate, number)
        took_s = time.monotonic() - began_s
        print(
            f"{rate:g} a bit: {sent:,} sent, {accepted:,} accepted as sent, {invented} wrong; {took_s:.0f} s",
            flush=True,
        )
        fault = f"bits flipped at {rate:g}, the host's decoder alone"
        rows.append((fault, sent, accepted, sent - accepted, invented, "lost lines come again"))
    if options.keep:
        keep("Line", rows)
