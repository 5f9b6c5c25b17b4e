"""Fits a case to logged sessions: the model's numbers with their uncertainty, and what the logs do not determine.

The prior (the default case, and a spread) enters the fit as further residuals. A number whose spread the logs do not
halve counts as undetermined. NumPy and SciPy are imported when a fit is requested, not before.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from groundbox.errors import GroundboxError
from groundbox.thermal.model import NAMES, CaseModel, CaseState, Drive, minutes_to
from groundbox.thermal.rows import HeatRow, stretches, thinned

SPREAD = 0.7  # assumed: a case's numbers lie within a factor of two of the defaults (1 sd of the natural logarithm)
DETERMINED = 0.5
MIN_MINUTES = 30
MIN_BINS = 10
MISSED_K = 0.5  # a mean residual above this gets a remark

UNDETERMINED = {
    "air_j_per_k": "how fast the air follows: change the load or the fans while the log runs",
    "wall_j_per_k": "how much heat the walls hold: log an hour or more without a gap",
    "air_wall_w_per_k": "how much heat passes from the air to the walls: log an hour with the fans off",
    "wall_outside_w_per_k": "what the walls lose with the fans off: log an hour or more with the fans off",
    "fan_one_w_per_k": "how much heat one fan alone removes: log minutes with one fan stopped, or at half speed",
    "fan_two_w_per_k": "how much heat both fans remove: log minutes with both at full speed",
    "air_battery_w_per_k": "what the battery takes from the air: it has no sensor, or was as warm as the air",
    "wall_battery_w_per_k": "what the battery takes from the walls: it has no sensor, or was as warm as the walls",
    "battery_lag_s": "how slowly the battery follows the air: it has no sensor",
    "sun_watts": "what the sun adds: the sun is not noted, or never changed while the fans were off",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseFit:
    """A case by its logs.

    spread: one standard deviation of each number's natural logarithm (0.1 is about 10 %).
    undetermined: names of the numbers that stay about as assumed.
    draws: samples of the posterior, equally likely under the logs.
    residual_rms_k, residual_worst_k: logged less modelled air temperature, minute by minute.
    remarks: what is undetermined and what is missing, in words.
    """

    model: CaseModel
    spread: Mapping[str, float]
    undetermined: tuple[str, ...]
    draws: tuple[CaseModel, ...]
    minutes: float
    residual_rms_k: float
    residual_worst_k: float
    hidden_watts: float | None  # most heat on the walls in any hour that is in no column; None where sun was noted
    remarks: tuple[str, ...]

    def rise_k_per_w(self, fans: float) -> tuple[float, float, float]:
        """Steady rise over outside in K/W with `fans` running: low, expected, high (5, 50, 95 %)."""
        rises = sorted(model.rise_k_per_w(fans) for model in self.draws)
        return _quantile(rises, 0.05), self.model.rise_k_per_w(fans), _quantile(rises, 0.95)

    def low_minutes_to(self, limit_c: float, state: CaseState, drive: Drive) -> float | None:
        """The 5 % point of the minutes to `limit_c`; None if even that is not within a day."""
        times = (minutes_to(limit_c, model, state, drive) for model in self.draws)
        low = _quantile(sorted(math.inf if t is None else t for t in times), 0.05)
        return None if math.isinf(low) else low


def fit(rows: Iterable[HeatRow], known: CaseModel | None = None, spread: Mapping[str, float] | None = None) -> CaseFit:
    """The case by the rows of one or more sessions.

    Args:
        rows: in order of time within a session; sessions one after another; gaps are allowed.
        known: mean of the prior; CaseModel() if None.
        spread: names of numbers known better or worse than SPREAD, with the standard deviation of their logarithm.

    Raises:
        GroundboxError: less than MIN_MINUTES of rows without gaps.
    """
    from groundbox.thermal.search import search

    pieces = [piece for piece in map(thinned, stretches(rows)) if len(piece) > MIN_BINS]
    minutes = sum(piece[-1].t_s - piece[0].t_s for piece in pieces) / 60
    if minutes < MIN_MINUTES:
        raise GroundboxError(f"{minutes:.0f} minutes of case temperatures without gaps: log {MIN_MINUTES} or more")
    prior_spread = dict.fromkeys(NAMES, SPREAD) | dict(spread or {})
    found = search(pieces, known or CaseModel(), prior_spread)
    undetermined = tuple(name for name in NAMES if found.spread[name] > DETERMINED * prior_spread[name])
    residuals = [k for piece in found.residuals_k for k in piece]
    return CaseFit(
        model=found.model,
        spread=found.spread,
        undetermined=undetermined,
        draws=found.draws,
        minutes=minutes,
        residual_rms_k=math.sqrt(sum(k * k for k in residuals) / len(residuals)),
        residual_worst_k=max(map(abs, residuals)),
        hidden_watts=found.hidden_watts,
        remarks=(
            *(f"the logs do not show {UNDETERMINED[name]}" for name in undetermined),
            *_missed(pieces, found.residuals_k),
        ),
    )


def _missed(pieces: Sequence[Sequence[HeatRow]], residuals_k: Sequence[Sequence[float]]) -> list[str]:
    """Remarks on times at which the logged case is on average warmer or colder than the modelled one."""
    remarks, half_hours = [], []
    pairs = [pair for rows, ks in zip(pieces, residuals_k, strict=True) for pair in zip(rows[1:], ks, strict=True)]
    for when, ks in (
        ("with the fans off", [k for row, k in pairs if row.fans < 0.05]),
        ("with the fans running", [k for row, k in pairs if row.fans >= 0.05]),
        ("in sun", [k for row, k in pairs if (row.sun or 0) > 0.5]),
    ):
        remarks.append((when, sum(ks) / max(len(ks), MIN_BINS)))
    for (piece, number), ks in _by_half_hour(pieces, residuals_k).items():
        when = f"in half hour {number + 1} of stretch {piece + 1}"
        half_hours.append((when, sum(ks) / max(len(ks), MIN_BINS)))
    remarks.append(max(half_hours, key=lambda pair: abs(pair[1])))
    return [
        f"{when} the case was {abs(k):.1f} K {'warmer' if k > 0 else 'colder'} than the model: something is not logged"
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


def _quantile(ordered: Sequence[float], probability: float) -> float:
    return ordered[round(probability * (len(ordered) - 1))]
