"""What advice is: the object that is stored, sent, shown and spoken. Plain values; msgspec makes its JSON and reads it.

`now --json`, the page and every other viewer get a `SessionAdvice`. Wall times are seconds since 1970 UTC (`_at_s`)
and, where a person or another program reads them, ISO 8601 with offset (`_at`). None is unknown.
"""

import msgspec

DO_NOT_LAUNCH, UNKNOWN, WAIT, CLEAR_TO_LAUNCH = "do_not_launch", "unknown", "wait", "clear_to_launch"
RETURN_NOW, TURN_BACK_BY = "return_now", "turn_back_by"
GROUND_VERDICTS = (DO_NOT_LAUNCH, UNKNOWN, WAIT, CLEAR_TO_LAUNCH)  # worst first
FLIGHT_VERDICTS = (RETURN_NOW, UNKNOWN, TURN_BACK_BY)
WORST_FIRST = (RETURN_NOW, DO_NOT_LAUNCH, UNKNOWN, TURN_BACK_BY, WAIT, CLEAR_TO_LAUNCH)
SEVERITIES = ("notice", "urgent", "stop")  # of a warning
SEVERITY_RANK = {"none": 0, "notice": 1, "unknown": 2, "urgent": 3, "stop": 4}
VERDICT_WORDS = {
    "do_not_launch": "Do not launch",
    "unknown": "Unknown",
    "wait": "Wait",
    "clear_to_launch": "Clear to launch",
    "return_now": "Return now",
    "turn_back_by": "Turn back by",
}


class Instruction(msgspec.Struct, frozen=True, kw_only=True):
    """One act for one box, as an imperative."""

    box: str
    severity: str
    words: str


class Glance(msgspec.Struct, frozen=True, kw_only=True):
    """What a person must find within two seconds.

    Attributes:
        word: the verdict in capitals.
        figure: a time of day or a number, as shown; "--" while unknown.
        noun: what the figure is.
        detail: the limiting box and its minutes.
        instructions: at most two, worst first; none where nothing asks for an act.
    """

    word: str
    figure: str
    noun: str
    detail: str
    instructions: tuple[Instruction, ...] = ()


class IfSilent(msgspec.Struct, frozen=True, kw_only=True):
    """What a viewer shows and speaks once the advice is `after_s` seconds old and nothing newer came."""

    after_s: float
    verdict: str
    severity: str
    headline: str
    action: str
    spoken: str
    word: str


class Cue(msgspec.Struct, frozen=True, kw_only=True):
    """Something to speak once: a warning, or a step of the countdown. `number` counts up within one recorder run."""

    number: int
    at_s: float
    box: str
    severity: str
    spoken: str


class ShownWarning(msgspec.Struct, frozen=True, kw_only=True):
    """A warning that is up."""

    kind: str
    severity: str
    sentence: str
    action: str
    acknowledged: bool


class FanShown(msgspec.Struct, frozen=True, kw_only=True):
    """One fan; `state` is one of wire.messages.FAN_STATES."""

    fan: int
    state: str | None = None
    rpm: int | None = None
    percent: int | None = None


class Readings(msgspec.Struct, frozen=True, kw_only=True):
    """The newest values of a box. Levels are the board's settings as it reported them, else its defaults.

    `turn_back_s` is the time until turn-back by the board's own count; on the ground: if the launch were now.
    """

    age_s: float | None = None
    battery_volts: float | None = None
    equipment_volts: float | None = None
    cutoff_volts: float | None = None
    end_volts: float | None = None
    battery_amps: float | None = None
    charging: str | None = None
    case_c: float | None = None
    battery_c: float | None = None
    intake_c: float | None = None
    humidity_percent: float | None = None
    turn_back_s: int | None = None
    dew_point_c: float | None = None
    case_levels_c: tuple[float, ...] = ()
    battery_levels_c: tuple[float, ...] = ()
    fan_levels_c: tuple[float, ...] = ()
    levels_reported: bool = False
    fans: tuple[FanShown, ...] = ()


class LoadShown(msgspec.Struct, frozen=True, kw_only=True):
    """A declared load; `gained_s` is how much longer the low runtime gets when it is off."""

    name: str
    sheddable: bool
    on: bool
    gained_s: float | None = None


class OutputShown(msgspec.Struct, frozen=True, kw_only=True):
    """An output that a person may switch, and the loads on it."""

    output: int
    on: bool
    state: str
    loads: tuple[str, ...] = ()


class HeatShown(msgspec.Struct, frozen=True, kw_only=True):
    """Minutes until the case is hot; None: not within hours, or unknown.

    Attributes:
        limit_c: the board's stop level.
        levels_min: to notice, urgent and stop with the fans as they are.
        fans_stopped_min, fans_stopped_low_min: to `limit_c` when the fans stop; the second is the low value of a fitted
            case.
        fitted: the case is learned from this box's own sessions.
    """

    limit_c: float
    levels_min: tuple[float | None, ...] = ()
    fans_stopped_min: float | None = None
    fans_stopped_low_min: float | None = None
    fitted: bool = False


class DayShown(msgspec.Struct, frozen=True, kw_only=True):
    """Whether a box lasts the day's plan, by the low runtime."""

    last_landing_at_s: float
    empty_at_s: float | None
    enough: bool | None


class BoxAdvice(msgspec.Struct, frozen=True, kw_only=True):
    """One box: what to do, and what that rests on.

    Attributes:
        verdict: one of GROUND_VERDICTS or FLIGHT_VERDICTS.
        severity: none, notice, unknown, urgent, stop.
        headline, sentence, action, spoken: in words, short, whole, as one instruction, and for speech.
        turn_back_at, turn_back_at_s: as shown: rounded and held; None on the ground or while none was ever known.
        turn_back_stale: that time rests on data that are no longer fresh.
        turn_back_moved: "3 min earlier than at 12:30" for some minutes after a move, else "".
        trust: measured, one_session, nameplate, doubtful; None while runtime is unknown.
        trust_improves: what would make the runtime better known, in words; None: nothing that is known of.
        needs_s: runtime that one flight and its reserve need; None in flight, or with no flight length set.
        sum: the sum behind the turn-back time or the launch: "mast: low 31 - reserve 15 - time home 8 = 8 min ...".
        stale_after_s: age of the readings from which they are marked stale.
    """

    box: str
    verdict: str
    severity: str
    headline: str
    sentence: str
    spoken: str
    action: str
    turn_back_at: str | None = None
    turn_back_at_s: float | None = None
    turn_back_stale: bool = False
    turn_back_moved: str = ""
    runtime_low_s: float | None = None
    runtime_expected_s: float | None = None
    runtime_high_s: float | None = None
    runtime_limit: str | None = None
    runtime_unknown_because: str | None = None
    trust: str | None = None
    trust_improves: str | None = None
    needs_s: float | None = None
    reserve_s: float = 0.0
    sum: str = ""
    stale_after_s: float = 0.0
    battery: str | None = None
    soc: float | None = None
    readings: Readings = Readings()
    warnings: tuple[ShownWarning, ...] = ()
    loads: tuple[LoadShown, ...] = ()
    outputs: tuple[OutputShown, ...] = ()
    start_load: str | None = None
    start_volts: float | None = None
    findings: tuple[str, ...] = ()
    heat: HeatShown | None = None
    day: DayShown | None = None
    if_silent: tuple[IfSilent, ...] = ()


class FlightShown(msgspec.Struct, frozen=True, kw_only=True):
    """Where the aircraft is, as far as people marked it; wall times.

    Attributes:
        flights: launch and landing (None: in the air) of each flight of the session; None: boxes fly separately.
    """

    in_flight: bool = False
    returning: bool = False
    launched_at_s: float | None = None
    landing_at_s: float | None = None
    length_s: float | None = None
    flown: int = 0
    flights: tuple[tuple[float, float | None], ...] | None = None


_PLUG_IN = Instruction(box="any box", severity="unknown", words="Plug in its USB cable and its battery")
NO_GLANCE = Glance(word="UNKNOWN", figure="--", noun="no data yet", detail="no box heard yet", instructions=(_PLUG_IN,))


class SessionAdvice(msgspec.Struct, frozen=True, kw_only=True):
    """All boxes at one moment: the worst verdict counts. Fields as of BoxAdvice."""

    made_at: str
    made_at_s: float
    verdict: str
    severity: str
    headline: str
    sentence: str
    spoken: str
    action: str
    limiting_box: str | None = None
    turn_back_at: str | None = None
    turn_back_at_s: float | None = None
    turn_back_stale: bool = False
    if_silent: tuple[IfSilent, ...] = ()
    glance: Glance = NO_GLANCE
    flight: FlightShown = FlightShown()
    boxes: tuple[BoxAdvice, ...] = ()
    cues: tuple[Cue, ...] = ()
