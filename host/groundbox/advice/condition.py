"""What a row of the table of warnings is."""

from collections.abc import Callable
from dataclasses import dataclass

from groundbox.advice.rules_battery import Verdict
from groundbox.advice.state import BoxState
from groundbox.advice.words import listed

SEVERITIES = ("notice", "urgent", "stop")


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One row. The rule's facts and `on_ground` or `in_flight` (what to do) make the sentence.

    `delay_s`: true for so long before it is raised; `clear_s`: false for so long before it is cleared.
    `from_reading`: judged by readings, so that it holds still while the box is silent.
    """

    kind: str
    severity: str
    meaning: str
    rule: Callable[[BoxState, bool], Verdict]
    on_ground: str
    in_flight: str = ""
    delay_s: float = 0.0
    clear_s: float = 10.0
    from_reading: bool = True

    def sentence(self, facts: str, state: BoxState) -> str:
        """One sentence: the facts, then what to do."""
        to_do = self.in_flight if state.in_flight and self.in_flight else self.on_ground
        return f"{facts}: {to_do.format(spare=listed(state.sheddable) or 'what is not essential', box=state.box)}"
