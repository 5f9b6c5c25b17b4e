"""Which records of one start have come: what may be acknowledged, and what is missing.

Runs on both interpreters. Numbers begin at 1; 0 stands for "none".
"""

MOST_PIECES = 256  # pieces kept beyond the first gap; more are forgotten and have to come again


class Sequences:
    """The record numbers of one start that have come.

    Attributes:
        complete_to: every record up to this one has come, or is known to be gone from the board.
        highest: the highest number that has come.
    """

    def __init__(self, complete_to: int = 0) -> None:
        self.complete_to = complete_to
        self.highest = complete_to
        self._pieces: list[list[int]] = []  # [first, last] of each piece beyond the first gap, ascending

    def add(self, sequence: int) -> bool:
        """True when record `sequence` had not come before."""
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
        if len(self._pieces) > MOST_PIECES:
            self._pieces.pop()
        if sequence > self.highest:
            self.highest = sequence
        return True

    def gone_below(self, oldest: int) -> int:
        """Number of missing records below `oldest`, which the board holds no longer; they count as settled now."""
        gone = sum(min(last, oldest - 1) - first + 1 for first, last in self.missing(oldest - 1))
        if oldest - 1 > self.complete_to:
            self.complete_to = oldest - 1
            self._settle()
        return gone

    def missing(self, newest: int) -> list[tuple[int, int]]:
        """(first, last) of each stretch up to `newest` that has not come, ascending."""
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
        """Joins piece `at` with its neighbours where they touch."""
        pieces = self._pieces
        if at + 1 < len(pieces) and pieces[at][1] + 1 == pieces[at + 1][0]:
            pieces[at][1] = pieces.pop(at + 1)[1]
        if at and pieces[at - 1][1] + 1 == pieces[at][0]:
            pieces[at - 1][1] = pieces.pop(at)[1]

    def _settle(self) -> None:
        """Takes pieces that complete_to has reached into it."""
        while self._pieces and self._pieces[0][0] <= self.complete_to + 1:
            last = self._pieces.pop(0)[1]
            if last > self.complete_to:
                self.complete_to = last
        if self.complete_to > self.highest:
            self.highest = self.complete_to
