"""One sized part: the answer, and all that a person needs to compute it by hand."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeResult:
    """An answer with its formula, the source of that formula, the numbers put in and the cautions that belong to it.

    `values` and `numbers` carry the unit in each name. `answer` is a sentence; `stop` is True when the part cannot or
    must not be built as described.
    """

    topic: str
    answer: str
    formula: str
    source: str
    values: dict[str, float]
    numbers: dict[str, float]
    cautions: tuple[str, ...] = ()
    stop: bool = False


LOCAL_CODE = "Local code and licensed practice come first; these figures do not replace them."
SHORT_CIRCUIT = (
    "A short circuit at a battery terminal welds tools and burns skin: cover the terminals, take off rings, "
    "fit the fuse last."
)


def next_size(wanted: float, sizes: tuple[float, ...]) -> float | None:
    """The smallest of `sizes` that is not under `wanted`, or None when all are."""
    return next((size for size in sizes if size >= wanted - 1e-9), None)
