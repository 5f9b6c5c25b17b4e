"""When a warning is sounded: at once, and again until a person acknowledges it. Pure."""

from collections.abc import Iterable

from groundbox.advice.warner import Active

AGAIN_S = {"urgent": 30.0, "stop": 10.0}  # a notice sounds once


class Alarm:
    """Remembers what was sounded when."""

    def __init__(self) -> None:
        self._sounded: dict[tuple[str, str, str], float] = {}

    def due(self, now_s: float, active: Iterable[Active]) -> list[Active]:
        """Those of `active` to sound now."""
        waiting = {(one.box, one.kind, one.severity): one for one in active if not one.acknowledged}
        self._sounded = {key: at for key, at in self._sounded.items() if key in waiting}
        due = [one for key, one in waiting.items() if self._is_due(key, now_s)]
        self._sounded |= {(one.box, one.kind, one.severity): now_s for one in due}
        return due

    def _is_due(self, key: tuple[str, str, str], now_s: float) -> bool:
        if key not in self._sounded:
            return True
        again_s = AGAIN_S.get(key[2])
        return again_s is not None and now_s - self._sounded[key] >= again_s
