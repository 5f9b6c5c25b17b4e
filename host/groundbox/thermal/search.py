"""The numbers behind fit.py: least squares over the model's course through each stretch of log. NumPy and SciPy.

Output-error fit: the modelled air temperature is compared with the logged one. Neighbouring residuals of such a fit
are alike, so they are whitened as a first-order autoregression (Cochrane and Orcutt 1949, from memory) before the
uncertainty is read from the curvature at the best point. Unknown besides the case, for each stretch: how far case and
intake sensor disagree and how the case sensor trails (left out, a lag of 8 s put 30 % on the rise with fans off), the
first temperatures and, where nobody noted the sun, a changing heat on the walls.
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
BLOCK_S = 1800.0  # errors further apart than this are taken as unrelated
OWN = 4
PROBE_S = 8.0  # assumed: how far a bead thermistor trails still air, with a factor of
PROBE_SPREAD = 0.5  # 1.6 to either side
OFFSET_K = 0.4  # assumed: 1 sd of the difference of two sensors good to 0.3 K
AIR_START_K = 0.5  # assumed: 1 sd of the air's first temperature about the logged one
WALL_START_K = 5.0  # assumed: 1 sd of the walls' first temperature about the air's
SENSOR_K = 0.03  # a residual is never taken to be surer than this
MOST_ALIKE = 0.98
ROUNDS = 4
MOST_TRIES = 30
DRAWS = 60
CASE = len(NAMES)
# Heat of unknown cause on the walls can pass for walls of another kind: where nobody noted the sun these stay as known.
_HELD = ("wall_j_per_k", "air_wall_w_per_k", "wall_outside_w_per_k", "air_battery_w_per_k", "wall_battery_w_per_k")
HELD = np.array([name in _HELD for name in NAMES])
HELD_SPREAD = 0.05
HIDDEN_WIDER = 3.0  # assumed: and what is learned beside such heat is less sure than its fit looks
AIR_BATTERY, WALL_BATTERY, LAG = map(NAMES.index, ("air_battery_w_per_k", "wall_battery_w_per_k", "battery_lag_s"))
LAG_SPREAD = 0.15  # assumed: a block also warms itself
BLOCK_K = 0.3  # assumed: 1 sd of a half hour's error of a block that follows the air by one lag
LEAST_SPREAD = 0.03  # assumed: two nodes are never truer to a case than this


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Best model, its spread, draws of likely models, residuals of each stretch, most hidden heat."""

    model: CaseModel
    spread: Mapping[str, float]
    draws: tuple[CaseModel, ...]
    residuals_k: list[list[float]]
    hidden_watts: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretch:
    """One stretch as arrays over its n steps, and the slice of the unknowns that are its own."""

    dt_s: Array
    case_c: Array
    outside_c: Array
    watts: Array
    fans: Array
    sun: Array  # zero where the hidden heat stands in
    battery_c: Array  # any number where has_battery is 0
    has_battery: float
    knots: Array  # (n, k) shares of the hourly values in each step; k may be 0
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


def _stretch(rows: Sequence[HeatRow], first: int) -> _Stretch:
    t_s = np.array([row.t_s for row in rows])
    noted = all(row.sun is not None for row in rows)
    middle_s = (t_s[1:] + t_s[:-1]) / 2 - t_s[0]
    count = 0 if noted else max(2, round((t_s[-1] - t_s[0]) / KNOT_S) + 1)
    at_s = np.linspace(0, t_s[-1] - t_s[0], count)
    knots = np.array([np.interp(middle_s, at_s, unit) for unit in np.eye(count)]).T.reshape(len(middle_s), count)

    def column(name: str) -> Array:
        return np.array([getattr(row, name) for row in rows[1:]], dtype=float)

    has_battery = all(row.battery_c is not None for row in rows)
    return _Stretch(
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
    """Residuals and their slopes, for one guess of noise: `sigma_k` once whitened, and how `alike` neighbours are."""

    def __init__(self, pieces: Sequence[Sequence[HeatRow]], known: CaseModel, assumed: Mapping[str, float]) -> None:
        self.stretches: list[_Stretch] = []
        for rows in pieces:
            self.stretches.append(_stretch(rows, self.stretches[-1].own.stop if self.stretches else CASE))
        self.centre = np.zeros(self.stretches[-1].own.stop)
        self.centre[:CASE] = np.log([getattr(known, name) for name in NAMES])
        own = [spread for stretch in self.stretches for spread in stretch.spreads()]
        self.spread = np.array([assumed[name] for name in NAMES] + own)
        if all(s.knots.shape[1] for s in self.stretches):
            self.spread[:CASE][HELD] = np.minimum(self.spread[:CASE][HELD], HELD_SPREAD)
        self.prior = self._prior()
        self.sigma_k, self.alike = 0.3, 0.0

    def _prior(self) -> Array:
        """(p, p) rows of assumed knowledge; the hidden heat is tied from hour to hour, not to zero."""
        rows = np.diag(1 / self.spread)
        for stretch in self.stretches:
            for j in range(stretch.own.start + OWN + 1, stretch.own.stop):
                rows[j, j - 1] = -1 / HIDDEN_WATTS
        return rows

    def errors_k(self, x: Array) -> list[Array]:
        """Logged less modelled air of each stretch."""
        return [s.case_c - s.shown_c(x[:CASE, None], x[s.own, None])[:, 0] for s in self.stretches]

    def whitened(self, errors: Array) -> Array:
        """Errors (n,) or (n, m) with what the one before foretells taken away, in units of sigma."""
        out = errors.copy()
        out[1:] -= self.alike * errors[:-1]
        out[0] *= np.sqrt(1 - self.alike**2)
        out /= self.sigma_k
        return out

    def residuals(self, x: Array) -> Array:
        parts: list[Array] = [*map(self.whitened, self.errors_k(x)), self.prior @ (x - self.centre)]
        return np.concatenate(parts)

    def slopes(self, x: Array) -> Array:
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

    def settle(self) -> Array:
        """The best point, its noise learned on the way."""
        x = self.centre
        for _ in range(ROUNDS):
            x = least_squares(self.residuals, x, jac=self.slopes, method="lm", ftol=1e-5, max_nfev=MOST_TRIES).x
            self.learn_noise(x)
        return x

    def covariance(self, x: Array) -> Array:
        """Of the unknowns at the best point `x`: by curvature, widened where errors of half an hour pull one way.

        The second is the sandwich estimate with clusters (Liang and Zeger 1986, from memory).
        """
        slopes, residuals = self.slopes(x), self.residuals(x)
        curved = np.asarray(np.linalg.inv(slopes.T @ slopes), dtype=np.float64)
        pulls, row = self.prior.T @ self.prior, 0
        for s in self.stretches:
            for some in np.array_split(np.arange(row, row + len(s.dt_s)), max(1, round(s.dt_s.sum() / BLOCK_S))):
                pull = slopes[some].T @ residuals[some]
                pulls = pulls + np.outer(pull, pull)
            row += len(s.dt_s)
        widened = np.sqrt(np.maximum(np.diag(curved @ pulls @ curved) / np.diag(curved), 1.0))
        widest: Array = curved * widened[:, None] * widened[None, :]
        return widest

    def learn_noise(self, x: Array) -> None:
        """Take sigma and likeness of neighbours from the errors at `x`."""
        errors = self.errors_k(x)
        pairs = sum(float(e[1:] @ e[:-1]) for e in errors), sum(float(e @ e) for e in errors)
        self.alike = min(max(pairs[0] / max(pairs[1], 1e-12), 0.0), MOST_ALIKE)
        self.sigma_k = 1.0
        rms = float(np.sqrt(np.mean(np.concatenate(list(map(self.whitened, errors))) ** 2)))
        self.sigma_k = max(rms, SENSOR_K)


def search(pieces: Sequence[Sequence[HeatRow]], known: CaseModel, assumed: Mapping[str, float]) -> Found:
    """The most likely case for `pieces` (each a thinned stretch), beginning at `known`."""
    problem = _Problem(pieces, known, assumed)
    x = problem.settle()
    spread = np.array([assumed[name] for name in NAMES])
    covariance = _honest(problem.covariance(x)[:CASE, :CASE], problem.spread[:CASE], spread)
    x[LAG], covariance[LAG, LAG] = _battery_lag(problem, x, spread[LAG])
    shaken = np.random.default_rng(1).multivariate_normal(x[:CASE], covariance, DRAWS, method="cholesky")
    hidden = [x[s.own][OWN:] for s in problem.stretches if s.knots.shape[1]]
    return Found(
        model=_model(x),
        spread=dict(zip(NAMES, np.sqrt(np.diag(covariance)).tolist(), strict=True)),
        draws=tuple(map(_model, shaken)),
        residuals_k=[e.tolist() for e in problem.errors_k(x)],
        hidden_watts=float(np.max(np.concatenate(hidden))) if hidden else None,
    )


def _honest(covariance: Array, used: Array, assumed: Array) -> Array:
    """Covariance with held numbers as unsure as was assumed, and no other surer than LEAST_SPREAD or less than that."""
    held = used < assumed
    wider = HIDDEN_WIDER if held.any() else 1.0
    spread = np.minimum(np.hypot(wider * np.sqrt(np.diag(covariance)), LEAST_SPREAD), assumed)
    shrunk = spread / np.sqrt(np.diag(covariance))
    out = covariance * np.outer(shrunk, shrunk)
    out[held, :] = out[:, held] = 0.0
    out[np.diag_indices_from(out)] = np.where(held, assumed, spread) ** 2
    return out


def _battery_lag(problem: _Problem, x: Array, spread: float) -> tuple[float, float]:
    """Logarithm of the block's lag behind what is around it, and its variance; as assumed where none was watched."""
    assumed, share = float(x[LAG]), 1 / (1 + np.exp(x[WALL_BATTERY] - x[AIR_BATTERY]))
    watched = [s for s in problem.stretches if s.has_battery]
    around = []
    for s in watched:
        air_c, wall_c = s.course_c(x[:CASE, None], x[s.own, None])
        around.append(share * air_c[:, 0] + (1 - share) * wall_c[:, 0])

    def residuals(guess: Array) -> Array:
        errors = [np.array([(guess[0] - assumed) / spread])]
        for s, around_c, battery_c in zip(watched, around, guess[1:], strict=True):
            left, modelled = np.exp(-s.dt_s / np.exp(guess[0])), []
            for kept, here_c in zip(left, around_c, strict=True):
                battery_c = here_c + (battery_c - here_c) * kept
                modelled.append(battery_c)
            errors.append((s.battery_c - modelled) * np.sqrt(s.dt_s / BLOCK_S) / BLOCK_K)
        return np.concatenate(errors)

    found = least_squares(residuals, [assumed, *(s.battery_c[0] for s in watched)], method="lm", xtol=1e-4)
    variance = float(np.linalg.inv(found.jac.T @ found.jac)[0, 0])
    return float(found.x[0]), variance + LAG_SPREAD**2 * (1 - variance / spread**2)


def _model(x: Any) -> CaseModel:
    return CaseModel(**dict(zip(NAMES, np.exp(x[:CASE]).tolist(), strict=True)))
