"""The limits each board really acts by: asked of it once it says who it is, and again when its settings change."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future

from groundbox.model import Answer
from groundbox.wire.settings import SETTINGS

WANTED = (
    "case_notice_centi_c",
    "case_urgent_centi_c",
    "case_stop_centi_c",
    "battery_cold_centi_c",
    "battery_warm_centi_c",
    "battery_hot_centi_c",
    "fan_on_centi_c",
    "fan_off_centi_c",
    "output1_kind",
    "output2_kind",
)
AGAIN_S = 30.0  # real seconds until a board that did not answer is asked anew

_DEFAULTS = {name: default for name, default, *_ in SETTINGS}
_RANGES = {name: range(low, high + 1) for name, _, low, high in SETTINGS}

Ask = Callable[[str, str], Sequence[Future[Answer]]]


class BoardLimits:
    """Asks one question at a time of each board, so that nothing else waits.

    Args:
        ask: (box, setting) -> what each way to that box will answer.
        keep: called with (box, setting, value) when a board tells what was not known; value None: it has none such.
    """

    def __init__(self, ask: Ask, keep: Callable[[str, str, int | None], None]) -> None:
        self._ask, self._keep = ask, keep
        self._known: dict[str, dict[str, int]] = {}
        self._lacking: dict[str, list[str]] = {}
        self._asked: dict[str, tuple[Sequence[Future[Answer]], float]] = {}

    def of(self, box: str) -> Mapping[str, int]:
        """Setting -> value as that board told; what it has not told is missing."""
        return self._known.get(box, {})

    def restore(self, box: str, known: Mapping[str, int]) -> None:
        """What that board told an earlier run, until it tells this one."""
        self._known.setdefault(box, {name: value for name, value in known.items() if value in _RANGES.get(name, ())})

    def met(self, box: str) -> None:
        """A board said who it is, or that its settings changed."""
        self._lacking[box] = list(WANTED)

    def turn(self, real_s: float) -> None:
        """Takes answers and asks what is next."""
        for box, lacking in self._lacking.items():
            futures, asked_s = self._asked.get(box, ((), float("-inf")))
            told = _told(futures)
            if told is not None and told.setting in lacking:
                self._take(box, told)
            elif futures and told is None and real_s - asked_s < AGAIN_S:
                continue
            self._asked.pop(box, None)
            if lacking:
                self._asked[box] = self._ask(box, lacking[0]), real_s

    def _take(self, box: str, told: Answer) -> None:
        assert told.setting is not None
        self._lacking[box].remove(told.setting)
        value = _value(told)
        known = self._known.setdefault(box, {})
        if known.pop(told.setting, None) != value:
            self._keep(box, told.setting, value)
        if value is not None:
            known[told.setting] = value


def celsius(limits: Mapping[str, int], *names: str) -> tuple[float, ...]:
    """Those limits of a board; the default, which is what boards come with, for each it has not told."""
    return tuple(limits.get(name, _DEFAULTS[name]) / 100 for name in names)


def case_levels_c(limits: Mapping[str, int]) -> tuple[float, ...]:
    """Notice, urgent, stop."""
    return celsius(limits, "case_notice_centi_c", "case_urgent_centi_c", "case_stop_centi_c")


def _value(told: Answer) -> int | None:
    """What a board told; None where it has no such setting, or tells what no board of ours can be set to."""
    try:
        value = int(told.value or "")
    except ValueError:
        return None
    return value if told.result == "ok" and value in _RANGES[told.setting or ""] else None


def _told(futures: Iterable[Future[Answer]]) -> Answer | None:
    """The first answer among those that are there."""
    return next((one.result() for one in futures if one.done() and one.exception() is None), None)
