"""Damped least squares (Levenberg 1944, Marquardt 1963), small and NumPy only, so that estimating needs no SciPy."""

from collections.abc import Callable

import numpy as np

from groundbox.battery.curve import Array

STEP = 1e-5
ROUNDS = 60


def _jacobian(residuals: Callable[[Array], Array], x: Array, at: Array) -> Array:
    columns = []
    for place in range(len(x)):
        moved = x.copy()
        moved[place] += STEP
        columns.append((residuals(moved) - at) / STEP)
    return np.stack(columns, axis=1)


@np.errstate(over="ignore", invalid="ignore")  # a wild step is not taken
def solve(residuals: Callable[[Array], Array], start: Array, lower: Array) -> tuple[Array, Array]:
    """(k,) the minimum of the sum of squares above `lower`, and (k, k) the inverse of J'J there.

    Residuals are in units of their spread and hold the prior as rows too, so the second is the covariance.
    """
    x, damping = np.maximum(start, lower), 1e-3
    at = residuals(x)
    for _ in range(ROUNDS):
        jacobian = _jacobian(residuals, x, at)
        normal, slope = jacobian.T @ jacobian, jacobian.T @ at
        for _ in range(12):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), slope)
            tried = np.maximum(x - step, lower)
            found = residuals(tried)
            if found @ found < at @ at:
                break
            damping *= 4
        else:
            break
        gained = at @ at - found @ found
        x, at, damping = tried, found, max(damping / 6, 1e-9)
        if gained < 1e-6 * (1 + at @ at):
            break
    jacobian = _jacobian(residuals, x, at)
    return x, np.asarray(np.linalg.inv(jacobian.T @ jacobian))
