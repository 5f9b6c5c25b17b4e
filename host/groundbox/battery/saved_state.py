"""An estimator's state as plain JSON values, so that a restarted host continues where the last one stopped."""

import base64
import zlib
from collections import deque
from dataclasses import asdict, fields
from typing import Any

import numpy as np

from groundbox.battery.cell import Array
from groundbox.battery.particles import Particles
from groundbox.battery.plausible import Plausibility
from groundbox.battery.recent_load import Pending, RecentLoad
from groundbox.errors import BadInput

FORM = 5
PLAIN = (
    "start_soc",
    "t_s",
    "volts",
    "amps",
    "battery_c",
    "charging",
    "measured",
    "known",
    "surface_noted",
    "loaded_hours",
    "loaded_charge",
    "rest_hours",
    "charging_hours",
    "counted_charge",
    "declared_amps",
    "off",
    "off_volts",
    "load_doubted",
    "typical_s",
    "voltage_variance",
)
_UPPER = np.triu_indices(8)


def _packed(values: Array) -> str:
    return base64.b64encode(zlib.compress(np.ascontiguousarray(values, dtype="<f4").tobytes())).decode("ascii")


def _unpacked(text: str, shape: tuple[int, ...]) -> Array:
    return np.frombuffer(zlib.decompress(base64.b64decode(text)), dtype="<f4").astype(float).reshape(shape)


def particles_state(particles: Particles) -> dict[str, object]:
    """The particles' arrays, packed; covariances by their upper triangle."""
    state: dict[str, object] = {"count": len(particles.drawn)}
    for field in fields(particles):
        value = getattr(particles, field.name)
        if field.name == "covariance":
            value = value[:, _UPPER[0], _UPPER[1]]
        state[field.name] = _packed(value) if isinstance(value, np.ndarray) else value
    return state


def _covariance(text: str, count: int) -> Array:
    covariance = np.zeros((count, 8, 8))
    covariance[:, _UPPER[0], _UPPER[1]] = _unpacked(text, (count, 36))
    return np.asarray(covariance + np.triu(covariance, 1).transpose(0, 2, 1))


def particles_from(state: dict[str, object]) -> Particles:
    """The particles that `particles_state` packed.

    Raises:
        BadInput: the state is of another form or damaged.
    """
    try:
        count = int(str(state["count"]))
        shapes = {"wells": (count, 4), "mean": (count, 8)}
        values: dict[str, object] = {}
        for field in fields(Particles):
            value = state[field.name]
            if field.name == "covariance":
                value = _covariance(str(value), count)
            elif isinstance(value, str):
                value = _unpacked(value, shapes.get(field.name, (count,)))
            values[field.name] = value
        return Particles(**values)  # type: ignore[arg-type]
    except (KeyError, ValueError, TypeError, zlib.error) as error:
        what = f"is damaged or of another version ({error}); the estimator starts from the profile"
        raise BadInput("estimator state", "", what) from error


def packed(pending: Pending, load: RecentLoad, doubts: Plausibility, particles: Particles | None) -> dict[str, object]:
    """The parts of an estimator that are not plain numbers."""
    return {
        "form": FORM,
        "pending": asdict(pending),
        "load": {**asdict(load), "steps": [list(step) for step in load.steps]},
        "doubts": asdict(doubts),
        "particles": None if particles is None else particles_state(particles),
    }


def unpacked(state: dict[str, Any]) -> tuple[Pending, RecentLoad, Plausibility, Particles | None]:
    """What `packed` packed.

    Raises:
        BadInput: the state is of another version.
    """
    if state.get("form") != FORM:
        what = f"is {state.get('form')!r}, not {FORM}; the estimator starts from the profile"
        raise BadInput("estimator state", "form", what)
    load = dict(state["load"])
    load["steps"] = deque((seconds, charge) for seconds, charge in load["steps"])
    particles = None if state["particles"] is None else particles_from(state["particles"])
    return Pending(**state["pending"]), RecentLoad(**load), Plausibility(**state["doubts"]), particles
