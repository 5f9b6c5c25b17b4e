"""Which records of one start were received: what may be acknowledged, and what is missing.

Runs on both interpreters. Numbers begin at 1; 0 means none.
"""

MAX_PIECES = 256  # ranges kept beyond the first gap; the board has to send the others again


class Sequences:
    """The record numbers of one start that were received.

    Attributes:
        complete_to: every record up to this one was received, or the board has it no longer.
        highest: the highest number received.
    """

    def __init__(self, complete_to: int = 0) -> None:
        self.complete_to = complete_to
        self.highest = complete_to
        self._pieces: list[list[int]] = []  # [first, last] of each range beyond the first gap, ascending

    def add(self, sequence: int) -> bool:
        """True when record `sequence` was not received before."""
        if sequence <= self.complete_to:
            return False
        if sequence == self.complete_to + 1 and not self._pieces:  # the usual case
            self.complete_to = sequence
            self.highest = max(self.highest, sequence)
            return True
        at = len(self._pieces)
        while at and self._pieces[at - 1][0] > sequence:
            at -= 1
        if at and sequence <= self._pieces[at - 1][1]:
            return False
        self._pieces.insert(at, [sequence, sequence])
        self._join(at)
        self._settle()
        if len(self._pieces) > MAX_PIECES:
            self._pieces.pop()
        if sequence > self.highest:
            self.highest = sequence
        return True

    def lost_below(self, oldest: int) -> int:
        """The number of missing records below `oldest`, which the board no longer holds; they count as received now."""
        lost = sum(min(last, oldest - 1) - first + 1 for first, last in self.missing(oldest - 1))
        if oldest - 1 > self.complete_to:
            self.complete_to = oldest - 1
            self._settle()
        return lost

    def missing(self, newest: int) -> list[tuple[int, int]]:
        """(first, last) of each range up to `newest` that is missing, ascending."""
        stretches = []
        first = self.complete_to + 1
        for low, high in self._pieces:
            if first > newest:
                break
            if low > first:
                stretches.append((first, min(low - 1, newest)))
            first = high + 1
        if first <= newest:
            stretches.append((first, newest))
        return stretches

    def _join(self, at: int) -> None:
        """Joins range `at` with its neighbours where they touch."""
        pieces = self._pieces
        if at + 1 < len(pieces) and pieces[at][1] + 1 == pieces[at + 1][0]:
            pieces[at][1] = pieces.pop(at + 1)[1]
        if at and pieces[at - 1][1] + 1 == pieces[at][0]:
            pieces[at - 1][1] = pieces.pop(at)[1]

    def _settle(self) -> None:
        """Merges the ranges that complete_to has reached."""
        while self._pieces and self._pieces[0][0] <= self.complete_to + 1:
            last = self._pieces.pop(0)[1]
            if last > self.complete_to:
                self.complete_to = last
        if self.complete_to > self.highest:
            self.highest = self.complete_to
