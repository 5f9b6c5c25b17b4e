"""A clogged filter: the rise of the case per watt with both fans on, from session to session."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from groundbox.thermal.fit import SPREAD, CaseFit, fit
from groundbox.thermal.rows import HeatRow

KNOWN_SPREAD = 0.05  # the case itself does not change between sessions; only its air stream may
NOTICE_FACTOR = 1.25  # common practice, no source: a quarter more rise is a filter to clean
SURE_SD = 2.0
FIRST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRise:
    """Steady rise in K/W with both fans at full speed over one session; `spread` is 1 sd of its logarithm."""

    name: str
    k_per_w: float
    spread: float


def session_rise(name: str, rows: Iterable[HeatRow], case: CaseFit) -> SessionRise | None:
    """How well both fans cooled `case` in one session; None if its rows do not show it.

    Raises:
        GroundboxError: hardly any rows, as fit().
    """
    streams = ("fan_one_w_per_k", "fan_two_w_per_k")
    known = {key: max(KNOWN_SPREAD, spread) for key, spread in case.spread.items()}
    found = fit(rows, case.model, known | dict.fromkeys(streams, SPREAD))
    if "fan_two_w_per_k" in found.undetermined:
        return None
    rises = [math.log(model.rise_k_per_w(2)) for model in found.draws]
    mean = sum(rises) / len(rises)
    spread = math.sqrt(sum((rise - mean) ** 2 for rise in rises) / (len(rises) - 1))
    return SessionRise(name=name, k_per_w=found.model.rise_k_per_w(2), spread=spread)


def filter_notice(sessions: Sequence[SessionRise]) -> str | None:
    """One sentence when the latest session's rise is well over that of the first; None otherwise.

    `sessions` in order of time, since the filter was last clean.
    """
    first, latest = sessions[:-1][:FIRST], sessions[-1:]
    if not first:
        return None
    weights = [1 / session.spread**2 for session in first]
    before = sum(w * math.log(session.k_per_w) for w, session in zip(weights, first, strict=True)) / sum(weights)
    more = math.log(latest[0].k_per_w) - before
    if more < math.log(NOTICE_FACTOR) or more < SURE_SD * math.sqrt(latest[0].spread ** 2 + 1 / sum(weights)):
        return None
    return (
        f"with both fans on the case rises {latest[0].k_per_w:.2f} K/W, {math.expm1(more):.0%} more than at first: "
        "clean or change the filter, and remove whatever blocks the air"
    )
