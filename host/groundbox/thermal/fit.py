"""Learning a case from logged sessions: the model's numbers with their uncertainty, and what the data cannot tell.

Assumed knowledge (the default case, and a spread) takes part in the fit as further residuals; a number whose spread
the logs do not halve is one they cannot tell. NumPy and SciPy are imported when a fit is asked for, not before.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from groundbox.errors import GroundboxError
from groundbox.thermal.model import NAMES, CaseModel, CaseState, Drive, minutes_to
from groundbox.thermal.rows import HeatRow, stretches, thinned

SPREAD = 0.7  # assumed: a case's numbers lie within a factor of two of the defaults (1 sd of the natural logarithm)
TOLD = 0.5
LEAST_MINUTES = 30
LEAST_BINS = 10
MISSED_K = 0.5  # a mean residual worth a remark

UNTOLD = {
    "air_j_per_k": "how fast the air follows: the load or the fans must change while the log runs",
    "wall_j_per_k": "how much heat the walls hold: an hour or more without a gap is wanted",
    "air_wall_w_per_k": "how the air and the walls are tied: an hour with the fans off is wanted",
    "wall_outside_w_per_k": "what the walls lose with the fans off: an hour or more with the fans off is wanted",
    "fan_one_w_per_k": "what one fan alone carries out: minutes with one fan stopped or half speed are wanted",
    "fan_two_w_per_k": "what both fans carry out: minutes with both at full speed are wanted",
    "air_battery_w_per_k": "what the battery takes from the air: it has no sensor, or was as warm as the air",
    "wall_battery_w_per_k": "what the battery takes from the walls: it has no sensor, or was as warm as they",
    "battery_lag_s": "how slowly the block follows the air: it has no sensor",
    "sun_watts": "what the sun adds: nobody noted the sun, or it never changed while the fans were off",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseFit:
    """What logs told about a case.

    `spread` is one standard deviation of each number's natural logarithm (0.1 is about 10 %); `untold` names those the
    logs cannot tell, which are still about as assumed; `draws` are cases equally likely under the logs. Residuals are
    logged less modelled air temperature, minute by minute. `remarks` says in words what is untold and what is missed.
    """

    model: CaseModel
    spread: Mapping[str, float]
    untold: tuple[str, ...]
    draws: tuple[CaseModel, ...]
    minutes: float
    residual_rms_k: float
    residual_worst_k: float
    hidden_watts: float | None  # most heat on the walls in any hour that is in no column; None where sun was noted
    remarks: tuple[str, ...]

    def rise_k_per_w(self, fans: float) -> tuple[float, float, float]:
        """Steady rise over outside in K/W with `fans` running: low, likely, high (5, 50, 95 %)."""
        rises = sorted(model.rise_k_per_w(fans) for model in self.draws)
        return _quantile(rises, 0.05), self.model.rise_k_per_w(fans), _quantile(rises, 0.95)

    def low_minutes_to(self, limit_c: float, state: CaseState, drive: Drive) -> float | None:
        """Minutes to `limit_c` that one in twenty of the likely cases undercuts; None if not even those get there."""
        times = (minutes_to(limit_c, model, state, drive) for model in self.draws)
        early = _quantile(sorted(math.inf if t is None else t for t in times), 0.05)
        return None if math.isinf(early) else early


def fit(rows: Iterable[HeatRow], known: CaseModel | None = None, spread: Mapping[str, float] | None = None) -> CaseFit:
    """The case that the rows of one or more sessions tell.

    Args:
        rows: in order of time within an session; sessions one after another; gaps are allowed.
        known: what is assumed beforehand; CaseModel() if nothing is.
        spread: names of numbers known better or worse than SPREAD, with the standard deviation of their logarithm.

    Raises:
        GroundboxError: less than LEAST_MINUTES of rows without gaps.
    """
    from groundbox.thermal.search import search

    pieces = [piece for piece in map(thinned, stretches(rows)) if len(piece) > LEAST_BINS]
    minutes = sum(piece[-1].t_s - piece[0].t_s for piece in pieces) / 60
    if minutes < LEAST_MINUTES:
        raise GroundboxError(f"{minutes:.0f} minutes of case temperatures without gaps; a fit wants {LEAST_MINUTES}")
    assumed = dict.fromkeys(NAMES, SPREAD) | dict(spread or {})
    found = search(pieces, known or CaseModel(), assumed)
    untold = tuple(name for name in NAMES if found.spread[name] > TOLD * assumed[name])
    residuals = [k for piece in found.residuals_k for k in piece]
    return CaseFit(
        model=found.model,
        spread=found.spread,
        untold=untold,
        draws=found.draws,
        minutes=minutes,
        residual_rms_k=math.sqrt(sum(k * k for k in residuals) / len(residuals)),
        residual_worst_k=max(map(abs, residuals)),
        hidden_watts=found.hidden_watts,
        remarks=(*(f"the logs cannot tell {UNTOLD[name]}" for name in untold), *_missed(pieces, found.residuals_k)),
    )


def _missed(pieces: Sequence[Sequence[HeatRow]], residuals_k: Sequence[Sequence[float]]) -> list[str]:
    """Remarks on times at which the logged case is on the whole warmer or colder than the modelled one."""
    remarks, half_hours = [], []
    told = [pair for rows, ks in zip(pieces, residuals_k, strict=True) for pair in zip(rows[1:], ks, strict=True)]
    for when, ks in (
        ("with the fans off", [k for row, k in told if row.fans < 0.05]),
        ("with the fans running", [k for row, k in told if row.fans >= 0.05]),
        ("in sun", [k for row, k in told if (row.sun or 0) > 0.5]),
    ):
        remarks.append((when, sum(ks) / max(len(ks), LEAST_BINS)))
    for (piece, number), ks in _by_half_hour(pieces, residuals_k).items():
        when = f"in half hour {number + 1} of stretch {piece + 1}"
        half_hours.append((when, sum(ks) / max(len(ks), LEAST_BINS)))
    remarks.append(max(half_hours, key=lambda pair: abs(pair[1])))
    return [
        f"{when} the case was {abs(k):.1f} K {'warmer' if k > 0 else 'colder'} than this model: something is not logged"
        for when, k in remarks
        if abs(k) > MISSED_K
    ]


def _by_half_hour(
    pieces: Sequence[Sequence[HeatRow]], residuals_k: Sequence[Sequence[float]]
) -> dict[tuple[int, int], list[float]]:
    groups: dict[tuple[int, int], list[float]] = {}
    for number, (rows, ks) in enumerate(zip(pieces, residuals_k, strict=True)):
        for row, k in zip(rows[1:], ks, strict=True):
            groups.setdefault((number, int((row.t_s - rows[0].t_s) / 1800)), []).append(k)
    return groups


def _quantile(ordered: Sequence[float], share: float) -> float:
    return ordered[round(share * (len(ordered) - 1))]
