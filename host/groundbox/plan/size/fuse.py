"""Fuse ratings: for the load when warm, the wire, the battery's short circuit, and a branch that opens first."""

from dataclasses import dataclass
from math import log

from groundbox.plan.size.battery import interpolate
from groundbox.plan.size.result import LOCAL_CODE, SHORT_CIRCUIT, SizeResult, next_size

RATINGS_AMPS = (0.5, 1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100)
CONTINUOUS_FRACTION = 0.75  # common practice, no source: 75 to 80 % of the rating
DERATING_PER_K = 0.002  # of the rating, above 25 C; assumed, typical of blade fuses
INTERRUPTING_AMPS = 1000.0  # blade fuse at 32 V, from memory; take the maker's figure
# Milliohm of a full 12 V battery by Ah (makers' data sheets, secondary copies).
BLOCK_MILLIOHM = (
    (3.0, 45.0),
    (5.0, 27.0),
    (7.2, 20.0),
    (12.0, 14.0),
    (18.0, 16.0),
    (28.0, 12.0),
    (45.0, 9.0),
    (65.0, 7.3),
)
# Blade fuse: fraction of rating, earliest and latest seconds to open (ISO 8820-3, from memory).
OPTIONAL = ("start_amps", "stall_amps", "parent_amps", "fuse_to_post_cm")  # in the result where they are known
OPENS_S = ((1.35, 0.75, 600.0), (2.0, 0.15, 5.0), (3.5, 0.04, 0.5), (6.0, 0.02, 0.1))


@dataclass(frozen=True, slots=True, kw_only=True)
class FuseBranch:
    """What a fuse protects. `parent_amps` is the rating of the fuse nearer the battery, None for the battery's own."""

    amps: float
    wire_carries_amps: float
    start_amps: float | None = None
    start_s: float = 0.0
    stall_amps: float | None = None
    case_c: float = 40.0
    rating_amps: float | None = None
    parent_amps: float | None = None
    interrupting_amps: float = INTERRUPTING_AMPS
    fuse_to_post_cm: float | None = None
    powered_pairs: int = 0
    fuses_on_pairs: int = 0


def short_circuit_amps(battery_ah: float, blocks: int = 1) -> float:
    """Rest voltage over inner resistance of full 12 V batteries in parallel: what a fuse must interrupt."""
    return blocks * 12.8 / (interpolate(BLOCK_MILLIOHM, battery_ah) / 1000)


def opens_after_s(fraction: float, column: int) -> float | None:
    """Earliest (1) or latest (2) seconds of a blade fuse at `fraction` of its rating; None: it may never open."""
    if fraction < OPENS_S[0][0]:
        return None
    points = [(log(row[0]), log(row[column])) for row in OPENS_S]
    return float(2.718281828 ** interpolate(points, log(fraction)))


def _faults(branch: FuseBranch, rating: float, short_amps: float) -> list[str]:
    faults = []
    if rating > branch.wire_carries_amps:
        faults.append(
            f"the {rating:g} A fuse is more than the wire carries ({branch.wire_carries_amps:g} A): thicker wire"
        )
    if short_amps > branch.interrupting_amps:
        faults.append(
            f"the battery can drive {short_amps:.0f} A, above the {branch.interrupting_amps:.0f} A it interrupts: "
            "take a fuse made for more"
        )
    if not _survives_start(branch, rating):
        faults.append(f"may open while {branch.start_amps:g} A of starting current last {branch.start_s:g} s")
    if branch.parent_amps is not None and branch.parent_amps < 1.6 * rating:
        faults.append(
            f"not selective: the fuse nearer the battery ({branch.parent_amps:g} A) must be 1.6 times or more"
        )
    if branch.fuse_to_post_cm is not None and branch.fuse_to_post_cm > 15:
        faults.append(f"{branch.fuse_to_post_cm:g} cm of unfused wire at the terminal: within 15 cm, better 7.5")
    if branch.fuses_on_pairs < branch.powered_pairs:
        faults.append(f"{branch.powered_pairs} powered pairs need {branch.powered_pairs} fuses")
    return faults


def _survives_start(branch: FuseBranch, rating: float) -> bool:
    holds = opens_after_s((branch.start_amps or 0.0) / rating, 1)
    return holds is None or branch.start_s <= holds


def _smallest(branch: FuseBranch, wanted: float) -> float:
    fitting = tuple(rating for rating in RATINGS_AMPS if _survives_start(branch, rating))
    return next_size(wanted, fitting) or wanted


def _stall_words(branch: FuseBranch, rating: float) -> str:
    if branch.stall_amps is None:
        return ""
    latest = opens_after_s(branch.stall_amps / rating, 2)
    if latest is None:
        return (
            f"; a stall of {branch.stall_amps:g} A never opens it: the motor must withstand it or needs its own limit"
        )
    return f"; a stall of {branch.stall_amps:g} A opens it within {float(f'{latest:.2g}'):g} s"


def size_fuse(name: str, branch: FuseBranch, *, battery_ah: float, blocks: int = 1) -> SizeResult:
    """The smallest ordinary rating that carries the load at case temperature, and every problem with it.

    Source: common practice, no source (75 % rule, 15 cm rule, 1.6 selectivity of IEC 60269-1 from memory).
    """
    derating = 1 - DERATING_PER_K * max(0.0, branch.case_c - 25)
    wanted = branch.amps / (CONTINUOUS_FRACTION * derating)
    rating = branch.rating_amps or _smallest(branch, wanted)
    short_amps = short_circuit_amps(battery_ah, blocks)
    faults = _faults(branch, rating, short_amps)
    if rating < wanted - 1e-9:
        faults.insert(
            0, f"{rating:g} A is under the {wanted:.2f} A wanted for {branch.amps:g} A at {branch.case_c:g} °C"
        )
    return SizeResult(
        topic=f"fuse {name}",
        answer=f"{rating:g} A" + _stall_words(branch, rating) + "".join(f"; problem: {fault}" for fault in faults),
        formula="rating >= amps / (0.75 x (1 - 0.002 (case C - 25))); rating <= what the wire carries; "
        "interrupts >= 12.8 V / inner resistance; fuse nearer the battery >= 1.6 x this one; "
        "opening times in a straight log-log line "
        "through (fraction of rating, earliest, latest s): "
        + ", ".join(f"({a:g}, {b:g}, {c:g})" for a, b, c in OPENS_S),
        source="common practice, no source; opening times ISO 8820-3 from memory; inner resistance from makers' sheets "
        "(secondary copies)",
        values={"rating_amps": rating, "wanted_amps": wanted, "short_circuit_amps": short_amps},
        numbers={"amps": branch.amps, "case_c": branch.case_c, "wire_carries_amps": branch.wire_carries_amps}
        | {"battery_ah": battery_ah, "blocks": float(blocks), "interrupting_amps": branch.interrupting_amps}
        | {name: value for name in OPTIONAL if (value := getattr(branch, name)) is not None}
        | {"start_s": branch.start_s, "powered_pairs": branch.powered_pairs, "fuses_on_pairs": branch.fuses_on_pairs},
        cautions=(LOCAL_CODE, SHORT_CIRCUIT, "Place the fuse within 7.5 to 15 cm of the battery's terminal."),
        stop=bool(faults),
    )
