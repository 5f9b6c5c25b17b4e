"""Gives each board its budget until turn-back: the time that advice shows, the charge for it, and the assumed load."""

from collections.abc import Callable

from groundbox.advice.limits import COARSE_STEP_S
from groundbox.advice.result import BoxAdvice
from groundbox.advice.state import BoxState
from groundbox.advice.turn_back import rounded
from groundbox.wire.messages import fields_of

AGAIN_S = 10.0  # seconds between two budgets for one board
LATER_S, EARLIER_S = 5.0, 30.0  # in flight a board's time may differ so much from the shown one
GROUND_S = 60.0  # on the ground; earlier by a step of rounding more
_SHOWN_LIMIT_S = next(high for name, _, _, high in fields_of("reading") if name == "turn_back_s")
FIELDS = tuple(name for name, *_ in fields_of("budget"))[2:]
_HIGHS = tuple(high for *_, high in fields_of("budget"))[2:]

Send = Callable[[str, tuple[int, int, int, int] | None], object]


class Budgets:
    """Compares each board's own time until turn-back with advice, and sends a budget where they differ.

    Args:
        send: called with a box and charge_mah, turn_back_s, home_s, load_ma; None: the board is to forget its own.
    """

    def __init__(self, send: Send) -> None:
        self._send = send
        self._sent: dict[str, tuple[float, bool]] = {}  # box: time of the last budget, and whether in flight

    def turn(self, now_s: float, advice: BoxAdvice, state: BoxState, held_s: int | None, amps: float | None) -> None:
        """Sends a budget when one is due.

        Args:
            advice, state: of the same box at the same moment.
            held_s: what its newest reading reports.
            amps: load that the estimate assumes; None: unknown.
        """
        if state.is_silent or state.returning:
            return
        wanted_s = _wanted_s(advice, state, amps)
        sent_s, sent_in_flight = self._sent.get(state.box, (float("-inf"), False))
        launched = state.in_flight and not sent_in_flight
        if not launched and now_s - sent_s < AGAIN_S:
            return
        if wanted_s is None:
            if state.in_flight or held_s is None:  # in flight the board continues to count
                return
            self._send(state.box, None)
        elif launched or _differs(wanted_s, held_s, state):
            assert amps is not None
            charge_mah = max(state.turn_back_in_s or 0.0, wanted_s) * amps / 3.6
            home_s = state.reserve_s + (state.time_home_s or 0.0)
            values = (charge_mah, wanted_s, home_s, max(1000 * amps, 1.0))
            charge, time, home, load = (int(min(value, high)) for value, high in zip(values, _HIGHS, strict=True))
            self._send(state.box, (charge, time, home, load))
        else:
            return
        self._sent[state.box] = now_s, state.in_flight


def _wanted_s(advice: BoxAdvice, state: BoxState, amps: float | None) -> float | None:
    """Seconds until the turn-back time as shown; on the ground as it would be shown at a launch now."""
    if amps is None or amps <= 0 or state.battery_in_doubt:
        return None
    if state.in_flight:
        at_s = None if advice.turn_back_stale else advice.turn_back_at_s
        return None if at_s is None else max(at_s - state.wall_s, 0.0)
    left_s = state.turn_back_in_s
    return None if left_s is None else max(rounded(state.wall_s, left_s) - state.wall_s, 0.0)


def _differs(wanted_s: float, held_s: int | None, state: BoxState) -> bool:
    if held_s is None:
        return True
    age_s = (state.silent_s or 0.0) if state.in_flight else 0.0
    later_s = max(held_s - age_s, 0.0) - min(wanted_s, _SHOWN_LIMIT_S)
    if state.in_flight:
        return not -EARLIER_S <= later_s <= LATER_S
    return not -(GROUND_S + COARSE_STEP_S) <= later_s <= GROUND_S
