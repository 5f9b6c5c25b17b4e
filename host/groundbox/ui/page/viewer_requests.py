"""What viewers ask for: marks, acknowledgements, commands. Each is checked, then left for the store or sent."""

import math
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future, as_completed
from typing import Protocol

from groundbox.advice.limits import RECORDER_STALE_S
from groundbox.advice.marks import FOR_AIRCRAFT, FOR_ALL, question
from groundbox.advice.result import SessionAdvice
from groundbox.advice.words import CHARGE_CAUTIONS, clock
from groundbox.errors import BadInput, LinkError
from groundbox.link.commands import COMMAND_S
from groundbox.model import Acknowledge, Answer, Mark
from groundbox.monitor.from_store import batteries_in, change_to_undo
from groundbox.settings import Settings, is_address
from groundbox.store import Reader, leave
from groundbox.wire.messages import MARKS

SWITCHED = ("on", "off")


class Send(Protocol):
    """Sends a command to a box: monitor.Recorder.command."""

    def __call__(self, box: str, name: str, **fields: int | str | None) -> Sequence[Future[Answer]]: ...


def _no_link(box: str, name: str, **fields: int | str | None) -> Sequence[Future[Answer]]:
    raise LinkError(f"box {box}: this program has no link to boards")


def first_answer(futures: Sequence[Future[Answer]]) -> Answer:
    """The first answer to arrive.

    Raises:
        LinkError: no answer arrives.
    """
    wrong = LinkError("this program has no link to boards")
    try:
        for future in as_completed(futures, timeout=COMMAND_S + 2.0):
            try:
                return future.result()
            except LinkError as error:
                wrong = error
    except TimeoutError:
        wrong = LinkError("no answer from the board")
    raise wrong


class ViewerRequests:
    """Takes the requests of viewers; called from worker threads.

    Attributes:
        advice: the newest; None before the first.
        send: sends a command to a box.
    """

    def __init__(self, settings: Settings, wall_s: Callable[[], float]) -> None:
        self.settings, self.wall_s, self.database = settings, wall_s, settings.store
        self.advice: SessionAdvice | None = None
        self.published_s = float("-inf")
        self.send: Send = _no_link

    @property
    def shared(self) -> bool:
        """True where several recorders share the boxes: each launch names its boxes."""
        return isinstance(self.database, str) and is_address(self.database)

    def age_s(self) -> float:
        """Seconds since the newest advice was published."""
        return time.monotonic() - self.published_s

    def mark(self, body: dict[str, object]) -> dict[str, object]:
        """Takes a mark, or asks once where it is against advice: the answer then has the key `ask`.

        Raises:
            BadInput: a value is of the wrong type, or no such box, battery or mark is known.
        """
        kind, name, confirmed = _text(body, "kind"), _text(body, "name") or None, body.get("confirmed", False)
        if not isinstance(confirmed, bool):
            raise BadInput("confirmed", str(confirmed)[:40], "is not allowed; give true or false")
        if kind == "undo":
            return self._undo()
        if kind not in MARKS:
            raise BadInput("mark", str(kind)[:40], f"is not known; give undo or one of {', '.join(MARKS)}")
        if name is not None and (kind != "swap" or name not in self.settings.batteries):
            raise BadInput(
                "mark", name[:40], "is not allowed; give the name of a battery in the settings, with a swap only"
            )
        boxes = self._marked_boxes(kind, body)
        against = [asked for box in boxes if (asked := self._question(kind, box, name))]
        if against and not confirmed:
            return {"ask": against[0]}
        for box in boxes:
            self._leave(Mark(box=box, kind=kind, wall_s=self.wall_s(), name=name, confirmed=bool(against)))
        if kind == "swap" and name is None:
            return {"done": "Runtime stays unknown until the battery is named: choose it and mark the swap again."}
        return {"cautions": CHARGE_CAUTIONS} if kind == "charge" else {}

    def _undo(self) -> dict[str, object]:
        with Reader(self.database) as reader:
            last = change_to_undo(reader, self.wall_s())
        self._leave(Mark(box=last.box, kind="undo", wall_s=self.wall_s(), name=last.kind))
        of = "" if last.wall_s is None else f" of {clock(last.wall_s)}"
        return {"done": f"Mark {last.kind}{of} is undone."}

    def _question(self, kind: str, box: str, name: str | None) -> str | None:
        advice = self.advice if self.age_s() <= RECORDER_STALE_S else None
        batteries: dict[str, str] = {}
        if kind == "swap":
            with Reader(self.database) as reader:
                batteries = batteries_in(reader, self.settings)
        return question(kind, box, name, advice, batteries, shared=self.shared)

    def acknowledge(self, body: dict[str, object]) -> None:
        """A person acknowledges a warning of a box, or all of them."""
        request = Acknowledge(box=self._box(body), warning=_text(body, "warning"), wall_s=self.wall_s())
        self._leave(request)

    def command(self, body: dict[str, object]) -> dict[str, object]:
        """Switches a sheddable output, or silences a buzzer; returns once the board has answered."""
        box, what = self._box(body), _text(body, "command")
        fields: dict[str, int | str | None] = {}
        if what == "switch":
            output, want = body.get("output"), body.get("want")
            if type(output) is not int or output not in self._switchable(box) or want not in SWITCHED:
                raise BadInput("switch", f"{output} {want}"[:40], "is not allowed; give a sheddable output, on or off")
            fields = {"output": output, "want": str(want)}
        elif what != "silence":
            raise BadInput("command", str(what)[:40], "is not known; give switch or silence")
        answered = first_answer(self.send(box, str(what), **fields))
        if answered.result != "ok":
            raise LinkError(f"box {box} refused: {(answered.reason or answered.result).replace('_', ' ')}")
        return {"done": f"{box}: {answered.setting} {answered.value}" if what == "switch" else f"{box}: silenced"}

    def _switchable(self, box: str) -> list[int]:
        boxes = self.advice.boxes if self.advice else ()
        return [output.output for one in boxes if one.box == box for output in one.outputs]

    def _marked_boxes(self, kind: str, body: dict[str, object]) -> list[str]:
        """The boxes that a mark concerns; FOR_ALL where it names none and need not."""
        box = _text(body, "box")
        if kind not in FOR_AIRCRAFT:
            return [self._box(body)]
        if box in (None, FOR_ALL):
            if self.shared:
                raise BadInput("box", "", f"boxes are shared here: a {kind} names its box or a group")
            return [FOR_ALL]
        return list(self.settings.groups.get(str(box), ())) or [self._box(body)]

    def _box(self, body: dict[str, object]) -> str:
        box = _text(body, "box")
        known = sorted(one.box for one in self.advice.boxes) if self.advice else []
        if box not in known:
            raise BadInput("box", str(box)[:40], f"is not known; known are: {', '.join(known) or 'none yet'}")
        return str(box)

    def _leave(self, request: Mark | Acknowledge) -> None:
        if not math.isfinite(request.wall_s):
            raise BadInput("mark", "", "the time is not known yet; try again in some seconds")
        leave(self.database, request)


def _text(body: dict[str, object], key: str) -> str | None:
    """The text under a key; None where there is none.

    Raises:
        BadInput: it is something else than text.
    """
    value = body.get(key)
    if value is not None and not isinstance(value, str):
        raise BadInput(key, str(value)[:40], "is no text; give text")
    return value
