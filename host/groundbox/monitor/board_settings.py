"""The settings that each board acts by: asked of it once it introduces itself, and again when its settings change."""

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
    "battery_urgent_centi_c",
    "battery_stop_centi_c",
    "low_notice_mv",
    "low_urgent_mv",
    "low_stop_mv",
    "fan_on_centi_c",
    "fan_off_centi_c",
    "output1_kind",
    "output2_kind",
)
AGAIN_S = 30.0  # real seconds until a board that did not answer is asked again

_RANGES = {name: range(low, high + 1) for name, _, low, high in SETTINGS}

Ask = Callable[[str, str], Sequence[Future[Answer]]]


class BoardSettings:
    """Asks one question at a time of each board, so that nothing else waits.

    Args:
        ask: (box, setting) -> the answers to come, one for each link to that box.
        store: called with (box, setting, value) when a reported value is new; value None: the board lacks that setting.
    """

    def __init__(self, ask: Ask, store: Callable[[str, str, int | None], None]) -> None:
        self._ask, self._store = ask, store
        self._known: dict[str, dict[str, int]] = {}
        self._lacking: dict[str, list[str]] = {}
        self._asked: dict[str, tuple[Sequence[Future[Answer]], float]] = {}

    def of(self, box: str) -> Mapping[str, int]:
        """Setting -> value as that board reported it; settings not reported are missing."""
        return self._known.get(box, {})

    def restore(self, box: str, known: Mapping[str, int]) -> None:
        """What that board reported to an earlier run, until it reports to this one."""
        self._known.setdefault(box, {name: value for name, value in known.items() if value in _RANGES.get(name, ())})

    def ask_again(self, box: str) -> None:
        """Asks that board for all settings: it introduced itself, or its settings changed."""
        self._lacking[box] = list(WANTED)

    def turn(self, real_s: float) -> None:
        """Takes answers and asks the next question."""
        for box, lacking in self._lacking.items():
            futures, asked_s = self._asked.get(box, ((), float("-inf")))
            answer = _first(futures)
            if answer is not None and answer.setting in lacking:
                self._take(box, answer)
            elif futures and answer is None and real_s - asked_s < AGAIN_S:
                continue
            self._asked.pop(box, None)
            if lacking:
                self._asked[box] = self._ask(box, lacking[0]), real_s

    def _take(self, box: str, answer: Answer) -> None:
        assert answer.setting is not None
        self._lacking[box].remove(answer.setting)
        value = _value(answer)
        known = self._known.setdefault(box, {})
        if known.pop(answer.setting, None) != value:
            self._store(box, answer.setting, value)
        if value is not None:
            known[answer.setting] = value


def _value(answer: Answer) -> int | None:
    """The value a board reported; None where it has no such setting, or the value is outside every board's range."""
    try:
        value = int(answer.value or "")
    except ValueError:
        return None
    return value if answer.result == "ok" and value in _RANGES[answer.setting or ""] else None


def _first(futures: Iterable[Future[Answer]]) -> Answer | None:
    """The first answer among those that are there."""
    return next((one.result() for one in futures if one.done() and one.exception() is None), None)
