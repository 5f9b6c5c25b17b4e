"""The least squares behind fit.py, over the modelled temperatures of each stretch of log. Needs NumPy and SciPy.

Output-error fit: the modelled air temperature is compared with the logged one. Neighbouring residuals of such a fit
are correlated, so they are whitened as a first-order autoregression (Cochrane and Orcutt 1949, from memory) before the
uncertainty is read from the curvature at the best point. Unknown besides the case, for each stretch: the difference of
case and intake sensor, the lag of the case sensor (without it, a lag of 8 s added 30 % to the rise with fans off), the
first temperatures and, where the sun is not noted, a changing heat on the walls.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from groundbox.thermal.model import NAMES, CaseModel, fan_conductance, steady_rise, transition
from groundbox.thermal.rows import HeatRow

Array = NDArray[np.float64]

KNOT_S = 900.0
HIDDEN_WATTS = 40.0  # assumed: 1 sd of the change of hidden heat from knot to knot
CLUSTER_S = 1800.0  # errors further apart than this count as independent
OWN = 4
PROBE_S = 8.0  # assumed: lag of a bead thermistor in still air, with a factor of
PROBE_SPREAD = 0.5  # 1.6 to either side
OFFSET_K = 0.4  # assumed: 1 sd of the difference of two sensors good to 0.3 K
AIR_START_K = 0.5  # assumed: 1 sd of the air's first temperature about the logged one
WALL_START_K = 5.0  # assumed: 1 sd of the walls' first temperature about the air's
SENSOR_K = 0.03  # lower limit of the standard deviation of a residual
MAX_CORRELATION = 0.98
ROUNDS = 4
MAX_TRIES = 30
DRAWS = 60
CASE = len(NAMES)
# Heat of unknown cause on the walls looks like walls of another kind: where the sun is not noted these keep the prior.
_HELD = ("wall_j_per_k", "air_wall_w_per_k", "wall_outside_w_per_k", "air_battery_w_per_k", "wall_battery_w_per_k")
HELD = np.array([name in _HELD for name in NAMES])
HELD_SPREAD = 0.05
HIDDEN_WIDER = 3.0  # assumed: and what is fitted beside such heat is less sure than its curvature shows
AIR_BATTERY, WALL_BATTERY, LAG = map(NAMES.index, ("air_battery_w_per_k", "wall_battery_w_per_k", "battery_lag_s"))
LAG_SPREAD = 0.15  # assumed: a battery also warms itself
BATTERY_K = 0.3  # assumed: 1 sd of a half hour's error of a battery that follows the air by one lag
MIN_SPREAD = 0.03  # assumed: two nodes follow a real case no better than this


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseSearchResult:
    """Best model, its spread, draws of the posterior, residuals of each stretch, maximum hidden heat."""

    model: CaseModel
    spread: Mapping[str, float]
    draws: tuple[CaseModel, ...]
    residuals_k: list[list[float]]
    hidden_watts: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _StretchArrays:
    """One stretch as arrays over its n steps, and the slice of the unknowns that are its own."""

    dt_s: Array
    case_c: Array
    outside_c: Array
    watts: Array
    fans: Array
    sun: Array  # zero where the hidden heat replaces it
    battery_c: Array  # any number where has_battery is 0
    has_battery: float
    knots: Array  # (n, k) weights of the knots' values in each step; k may be 0
    first_c: float
    own: slice

    def spreads(self) -> list[float]:
        return [OFFSET_K, AIR_START_K, WALL_START_K, PROBE_SPREAD, *[HIDDEN_WATTS] * self.knots.shape[1]]

    def course_c(self, case: Array, own: Array) -> tuple[Array, Array]:
        """Mean temperatures of air and walls over each step, (n, m), for m columns of unknowns (case, own)."""
        ca, cw, aw, wo, one, two, ab, wb, _, sun_watts = np.exp(case)
        ab, wb, fan = ab * self.has_battery, wb * self.has_battery, fan_conductance(self.fans[:, None], one, two)
        on_walls = self.sun[:, None] * sun_watts + self.knots @ own[OWN:]
        outside_c = self.outside_c[:, None] + own[0]
        battery_rise = self.battery_c[:, None] - outside_c
        rise = steady_rise(aw, wo, fan, self.watts[:, None], on_walls, ab, wb, battery_rise)
        end = np.stack([part + outside_c for part in rise], axis=1)
        p11, p12, p21, p22 = transition(ca, cw, aw, fan + ab, wo + wb, self.dt_s[:, None], np)
        course = np.empty((len(self.dt_s) + 1, 2, case.shape[1]))
        course[0] = air, wall = self.first_c + own[1], self.first_c + own[1] + own[2]
        for i, (air_end, wall_end) in enumerate(end):
            da, dw = air - air_end, wall - wall_end
            air, wall = air_end + p11[i] * da + p12[i] * dw, wall_end + p21[i] * da + p22[i] * dw
            course[i + 1] = air, wall
        means = (course[1:] + course[:-1]) / 2
        return means[:, 0], means[:, 1]

    def shown_c(self, case: Array, own: Array) -> Array:
        """Mean over each step of what the case sensor shows of the air, (n, m)."""
        air_c = self.course_c(case, own)[0]
        lag_s, before = PROBE_S * np.exp(own[3]), np.vstack([self.first_c + own[1], air_c[:-1]])
        slope, left = (air_c - before) / self.dt_s[:, None], np.exp(-self.dt_s[:, None] / lag_s)
        ahead, behind = slope * lag_s, np.empty_like(air_c)
        lacking = np.zeros(case.shape[1])
        for i in range(len(air_c)):
            lacking = behind[i] = ahead[i] + (lacking - ahead[i]) * left[i]
        return air_c - behind


def _stretch(rows: Sequence[HeatRow], first: int) -> _StretchArrays:
    t_s = np.array([row.t_s for row in rows])
    noted = all(row.sun is not None for row in rows)
    middle_s = (t_s[1:] + t_s[:-1]) / 2 - t_s[0]
    count = 0 if noted else max(2, round((t_s[-1] - t_s[0]) / KNOT_S) + 1)
    at_s = np.linspace(0, t_s[-1] - t_s[0], count)
    knots = np.array([np.interp(middle_s, at_s, unit) for unit in np.eye(count)]).T.reshape(len(middle_s), count)

    def column(name: str) -> Array:
        return np.array([getattr(row, name) for row in rows[1:]], dtype=float)

    has_battery = all(row.battery_c is not None for row in rows)
    return _StretchArrays(
        dt_s=np.diff(t_s),
        case_c=column("case_c"),
        outside_c=column("outside_c"),
        watts=column("watts"),
        fans=column("fans"),
        sun=column("sun") if noted else np.zeros(len(middle_s)),
        battery_c=column("battery_c") if has_battery else np.zeros(len(middle_s)),
        has_battery=float(has_battery),
        knots=knots,
        first_c=rows[0].case_c,
        own=slice(first, first + OWN + count),
    )


class _Problem:
    """Residuals and their Jacobian for one estimate of the noise: whitened `sigma_k`, `correlation` of neighbours."""

    def __init__(self, pieces: Sequence[Sequence[HeatRow]], known: CaseModel, assumed: Mapping[str, float]) -> None:
        self.stretches: list[_StretchArrays] = []
        for rows in pieces:
            self.stretches.append(_stretch(rows, self.stretches[-1].own.stop if self.stretches else CASE))
        self.centre = np.zeros(self.stretches[-1].own.stop)
        self.centre[:CASE] = np.log([getattr(known, name) for name in NAMES])
        own = [spread for stretch in self.stretches for spread in stretch.spreads()]
        self.spread = np.array([assumed[name] for name in NAMES] + own)
        if all(s.knots.shape[1] for s in self.stretches):
            self.spread[:CASE][HELD] = np.minimum(self.spread[:CASE][HELD], HELD_SPREAD)
        self.prior = self._prior()
        self.sigma_k, self.correlation = 0.3, 0.0

    def _prior(self) -> Array:
        """(p, p) rows of the prior; the hidden heat is tied from knot to knot, not to zero."""
        rows = np.diag(1 / self.spread)
        for stretch in self.stretches:
            for j in range(stretch.own.start + OWN + 1, stretch.own.stop):
                rows[j, j - 1] = -1 / HIDDEN_WATTS
        return rows

    def errors_k(self, x: Array) -> list[Array]:
        """Logged less modelled air of each stretch."""
        return [s.case_c - s.shown_c(x[:CASE, None], x[s.own, None])[:, 0] for s in self.stretches]

    def whitened(self, errors: Array) -> Array:
        """Errors (n,) or (n, m) less the prediction from the one before, in units of sigma."""
        out = errors.copy()
        out[1:] -= self.correlation * errors[:-1]
        out[0] *= np.sqrt(1 - self.correlation**2)
        out /= self.sigma_k
        return out

    def residuals(self, x: Array) -> Array:
        parts: list[Array] = [*map(self.whitened, self.errors_k(x)), self.prior @ (x - self.centre)]
        return np.concatenate(parts)

    def jacobian(self, x: Array) -> Array:
        """Jacobian by differences, each stretch run once for all the unknowns that touch it."""
        blocks = []
        for s in self.stretches:
            touched = np.r_[0:CASE, s.own]
            nudge = np.where(touched < CASE, 1e-4, 1e-3)
            case, own = (np.tile(part[:, None], len(touched) + 1) for part in (x[:CASE], x[s.own]))
            both = np.vstack([case, own])
            both[np.arange(len(touched)), np.arange(1, len(touched) + 1)] += nudge
            shown = s.shown_c(both[:CASE], both[CASE:])
            block = np.zeros((len(shown), len(x)))
            block[:, touched] = -(shown[:, 1:] - shown[:, :1]) / nudge
            blocks.append(self.whitened(block))
        return np.vstack([*blocks, self.prior])

    def solve(self) -> Array:
        """The best point; the noise is estimated along the way."""
        x = self.centre
        for _ in range(ROUNDS):
            x = least_squares(self.residuals, x, jac=self.jacobian, method="lm", ftol=1e-5, max_nfev=MAX_TRIES).x
            self.estimate_noise(x)
        return x

    def covariance(self, x: Array) -> Array:
        """Of the unknowns at the best point `x`: by curvature, widened where the errors of half an hour have one sign.

        The second is the sandwich estimate with clusters (Liang and Zeger 1986, from memory).
        """
        jacobian, residuals = self.jacobian(x), self.residuals(x)
        curved = np.asarray(np.linalg.inv(jacobian.T @ jacobian), dtype=np.float64)
        scatter, row = self.prior.T @ self.prior, 0
        for s in self.stretches:
            for some in np.array_split(np.arange(row, row + len(s.dt_s)), max(1, round(s.dt_s.sum() / CLUSTER_S))):
                score = jacobian[some].T @ residuals[some]
                scatter = scatter + np.outer(score, score)
            row += len(s.dt_s)
        widened = np.sqrt(np.maximum(np.diag(curved @ scatter @ curved) / np.diag(curved), 1.0))
        widest: Array = curved * widened[:, None] * widened[None, :]
        return widest

    def estimate_noise(self, x: Array) -> None:
        """Estimate sigma and the correlation of neighbours from the errors at `x`."""
        errors = self.errors_k(x)
        pairs = sum(float(e[1:] @ e[:-1]) for e in errors), sum(float(e @ e) for e in errors)
        self.correlation = min(max(pairs[0] / max(pairs[1], 1e-12), 0.0), MAX_CORRELATION)
        self.sigma_k = 1.0
        rms = float(np.sqrt(np.mean(np.concatenate(list(map(self.whitened, errors))) ** 2)))
        self.sigma_k = max(rms, SENSOR_K)


def search(pieces: Sequence[Sequence[HeatRow]], known: CaseModel, assumed: Mapping[str, float]) -> CaseSearchResult:
    """The posterior mode of the case for `pieces` (each a thinned stretch), with `known` as the mean of the prior."""
    problem = _Problem(pieces, known, assumed)
    x = problem.solve()
    spread = np.array([assumed[name] for name in NAMES])
    covariance = _widened(problem.covariance(x)[:CASE, :CASE], problem.spread[:CASE], spread)
    x[LAG], covariance[LAG, LAG] = _battery_lag(problem, x, spread[LAG])
    shaken = np.random.default_rng(1).multivariate_normal(x[:CASE], covariance, DRAWS, method="cholesky")
    hidden = [x[s.own][OWN:] for s in problem.stretches if s.knots.shape[1]]
    return CaseSearchResult(
        model=_model(x),
        spread=dict(zip(NAMES, np.sqrt(np.diag(covariance)).tolist(), strict=True)),
        draws=tuple(map(_model, shaken)),
        residuals_k=[e.tolist() for e in problem.errors_k(x)],
        hidden_watts=float(np.max(np.concatenate(hidden))) if hidden else None,
    )


def _widened(covariance: Array, used: Array, assumed: Array) -> Array:
    """Covariance in which held numbers keep the prior's spread, and all others have MIN_SPREAD at least."""
    held = used < assumed
    wider = HIDDEN_WIDER if held.any() else 1.0
    spread = np.minimum(np.hypot(wider * np.sqrt(np.diag(covariance)), MIN_SPREAD), assumed)
    shrunk = spread / np.sqrt(np.diag(covariance))
    out = covariance * np.outer(shrunk, shrunk)
    out[held, :] = out[:, held] = 0.0
    out[np.diag_indices_from(out)] = np.where(held, assumed, spread) ** 2
    return out


def _battery_lag(problem: _Problem, x: Array, spread: float) -> tuple[float, float]:
    """Logarithm of the battery's lag behind what is around it, and its variance; as assumed without a sensor."""
    assumed, air_part = float(x[LAG]), 1 / (1 + np.exp(x[WALL_BATTERY] - x[AIR_BATTERY]))
    measured = [s for s in problem.stretches if s.has_battery]
    around = []
    for s in measured:
        air_c, wall_c = s.course_c(x[:CASE, None], x[s.own, None])
        around.append(air_part * air_c[:, 0] + (1 - air_part) * wall_c[:, 0])

    def residuals(guess: Array) -> Array:
        errors = [np.array([(guess[0] - assumed) / spread])]
        for s, around_c, battery_c in zip(measured, around, guess[1:], strict=True):
            left, modelled = np.exp(-s.dt_s / np.exp(guess[0])), []
            for kept, here_c in zip(left, around_c, strict=True):
                battery_c = here_c + (battery_c - here_c) * kept
                modelled.append(battery_c)
            errors.append((s.battery_c - modelled) * np.sqrt(s.dt_s / CLUSTER_S) / BATTERY_K)
        return np.concatenate(errors)

    found = least_squares(residuals, [assumed, *(s.battery_c[0] for s in measured)], method="lm", xtol=1e-4)
    variance = float(np.linalg.inv(found.jac.T @ found.jac)[0, 0])
    return float(found.x[0]), variance + LAG_SPREAD**2 * (1 - variance / spread**2)


def _model(x: Any) -> CaseModel:
    return CaseModel(**dict(zip(NAMES, np.exp(x[:CASE]).tolist(), strict=True)))
