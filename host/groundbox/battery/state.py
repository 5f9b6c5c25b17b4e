"""An estimator's state as plain JSON values, so that a restarted host goes on where the last one stopped."""

import base64
import zlib
from collections import deque
from dataclasses import asdict, fields
from typing import Any

import numpy as np

from groundbox.battery.bank import Bank
from groundbox.battery.curve import Array
from groundbox.battery.load import Pending, RecentLoad
from groundbox.errors import BadInput

FORM = 3
PLAIN = (
    "start_soc",
    "t_s",
    "volts",
    "amps",
    "battery_c",
    "charging",
    "measured",
    "known",
    "surface_seen",
    "loaded_hours",
    "loaded_charge",
    "rest_hours",
    "charging_hours",
    "typical_s",
    "restless",
)
_UPPER = np.triu_indices(8)


def _packed(values: Array) -> str:
    return base64.b64encode(zlib.compress(np.ascontiguousarray(values, dtype="<f4").tobytes())).decode("ascii")


def _unpacked(text: str, shape: tuple[int, ...]) -> Array:
    return np.frombuffer(zlib.decompress(base64.b64decode(text)), dtype="<f4").astype(float).reshape(shape)


def bank_state(bank: Bank) -> dict[str, object]:
    """The bank's arrays, packed; covariances by their upper triangle."""
    state: dict[str, object] = {"members": len(bank.drawn)}
    for field in fields(bank):
        value = getattr(bank, field.name)
        if field.name == "covariance":
            value = value[:, _UPPER[0], _UPPER[1]]
        state[field.name] = _packed(value) if isinstance(value, np.ndarray) else value
    return state


def _covariance(text: str, members: int) -> Array:
    covariance = np.zeros((members, 8, 8))
    covariance[:, _UPPER[0], _UPPER[1]] = _unpacked(text, (members, 36))
    return np.asarray(covariance + np.triu(covariance, 1).transpose(0, 2, 1))


def bank_from(state: dict[str, object]) -> Bank:
    """The bank that `bank_state` packed; BadInput when the state is of another form or damaged."""
    try:
        members = int(str(state["members"]))
        shapes = {"wells": (members, 4), "mean": (members, 8)}
        values: dict[str, object] = {}
        for field in fields(Bank):
            value = state[field.name]
            if field.name == "covariance":
                value = _covariance(str(value), members)
            elif isinstance(value, str):
                value = _unpacked(value, shapes.get(field.name, (members,)))
            values[field.name] = value
        return Bank(**values)  # type: ignore[arg-type]
    except (KeyError, ValueError, TypeError, zlib.error) as error:
        raise BadInput("estimator state", "", f"is damaged or of another version ({error}); start anew") from error


def packed(pending: Pending, load: RecentLoad, bank: Bank | None) -> dict[str, object]:
    """The parts of an estimator that are not plain numbers."""
    return {
        "form": FORM,
        "pending": asdict(pending),
        "load": {**asdict(load), "steps": [list(step) for step in load.steps]},
        "bank": None if bank is None else bank_state(bank),
    }


def unpacked(state: dict[str, Any]) -> tuple[Pending, RecentLoad, Bank | None]:
    """What `packed` packed; BadInput when the state is of another version."""
    if state.get("form") != FORM:
        raise BadInput("estimator state", "form", f"is {state.get('form')!r}, not {FORM}; start anew")
    load = dict(state["load"])
    load["steps"] = deque((seconds, charge) for seconds, charge in load["steps"])
    bank = None if state["bank"] is None else bank_from(state["bank"])
    return Pending(**state["pending"]), RecentLoad(**load), bank
