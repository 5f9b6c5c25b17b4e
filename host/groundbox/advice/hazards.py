"""What an instruction may ask of a person, by hazard: every action of the conditions is tested against this table.

The cautions are common practice, no source; local codes and licensed practice come first (hardware/safety.md).
"""

import re
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazard:
    """One way to get hurt, or to lose the aircraft.

    Attributes:
        meaning: the hazard in one line.
        ground_needs, flight_needs: patterns that an action must hold, on the ground and in flight.
        ground_forbids, flight_forbids: patterns that an action must not hold.
    """

    meaning: str
    ground_needs: tuple[str, ...] = ()
    flight_needs: tuple[str, ...] = ()
    ground_forbids: tuple[str, ...] = ()
    flight_forbids: tuple[str, ...] = ()


# In flight nobody can land an aircraft that is kilometres away, or switch off the boxes that carry its picture.
ALWAYS = Hazard(
    meaning="the aircraft is out, and the boxes carry its picture",
    ground_forbids=(r"\bland now\b",),
    flight_forbids=(
        r"\bland now\b",
        r"\bunplug\b",
        r"\bswitch (the box|off the box)\b",
        r"\bswap\b",
        r"\bfree\b",
        r"\breplace\b",
        r"\bcharge the battery\b",
    ),
)
_BRIDGE = r"(?<!never )\bbridge\b"
HAZARDS = {
    "none": Hazard(meaning="no hazard beyond the usual"),
    "blades": Hazard(
        meaning="a fan starts by itself, also one that is stuck",
        ground_needs=(r"\bunplug the battery first\b",),
        flight_needs=(r"\bkeep hands off the fans\b",),
        flight_forbids=(r"\btouch\b", r"\bclean\b"),
    ),
    "gas": Hazard(
        meaning="a charging battery gives off hydrogen",
        ground_needs=(r"\b(outdoors|at its supply)\b",),
        ground_forbids=(r"\bclose the lid\b", r"\bcharge (it )?in the (case|box)\b"),
    ),
    "hot battery": Hazard(
        meaning="a hot battery may vent or burst",
        ground_needs=(r"\bat its supply first\b", r"\bstay clear\b"),
        flight_needs=(r"\bat its supply\b",),
        ground_forbids=(r"(?<!not )\btouch\b", r"\bopen the lid\b", r"\bunplug\b"),
        flight_forbids=(r"\bopen the lid\b", r"(?<!not )\btouch\b"),
    ),
    "hot case": Hazard(
        meaning="a hot case may hold a charging battery and running fans",
        ground_needs=(r"\bat its supply\b", r"\bopen the lid\b"),
        flight_needs=(r"\bkeep hands off the fans\b",),
    ),
    "short circuit": Hazard(
        meaning="a battery drives several hundred amperes through a short circuit",
        ground_forbids=(_BRIDGE,),
        flight_forbids=(_BRIDGE,),
    ),
}


def forbids(hazard: str, action: str, *, in_flight: bool) -> bool:
    """True when the hazard called `hazard`, present beside another one, forbids `action`."""
    one = HAZARDS[hazard]
    return any(re.search(ban, action, re.I) for ban in (one.flight_forbids if in_flight else one.ground_forbids))


def faults(hazard: str, action: str, *, in_flight: bool) -> list[str]:
    """What is wrong with `action` under the hazard called `hazard`; empty when it is allowed.

    Raises:
        KeyError: no hazard is called so.
    """
    found = []
    for one in (ALWAYS, HAZARDS[hazard]):
        needs, forbids = (one.flight_needs, one.flight_forbids) if in_flight else (one.ground_needs, one.ground_forbids)
        found += [f"needs {want!r}" for want in needs if not re.search(want, action, re.I)]
        found += [f"must not hold {ban!r}" for ban in forbids if re.search(ban, action, re.I)]
    return found
