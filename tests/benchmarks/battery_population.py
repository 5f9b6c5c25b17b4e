"""The population of batteries re-derived by rule, from every independent source or with one family left out.

Sources: the three recorded families, each fitted from all its runs, and the published tables, a maker's series as one
(US, USL and XLT are one table scaled; USL12-7.2 and PS-12170 differ). Each is fitted with a population half as wide
again as the default, so that it speaks for itself. Rule: the middle is the mean of the sources, the spread WIDENED
times theirs, never under half of the default's. Capacity is not derived: how much a battery gives of its nameplate is
an assumption (`SOUND_MEAN`): a table gives all of its own, and the five-cell battery's rating was read off its runs.
"""

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
from tests.benchmarks import battery_truth as truth
from tests.benchmarks.battery_cases import profile_for
from tests.benchmarks.battery_replay import Case, samples_of
from tests.benchmarks.battery_runtime import published_tables
from tests.benchmarks.battery_truth import Array

from groundbox.battery import prior
from groundbox.battery.fit import fit_runs
from groundbox.battery.logs import discharges
from groundbox.battery.prior import COEFFICIENTS, NAMES, OFFSET, Prior, sheet_prior, sound_prior

WIDENED = 1.3  # few sources understate the spread
SERIES = {"USL12-7.2": "USL12-7.2", "PS-12170": "PS-12170"}  # else one maker's scaled table


def _wide() -> Prior:
    plain = sound_prior()
    return Prior(
        mean=plain.mean,
        covariance=2.25 * plain.covariance,
        error_volts=plain.error_volts,
        worn_probability=plain.worn_probability,
    )


def _ordinary(numbers: Array) -> Array:
    """The nine numbers with the offset as the voltage under an ordinary load at half depletion, like SOUND_SD."""
    stated = numbers.copy()
    stated[OFFSET] = prior.terms(np.array(0.5), prior.ORDINARY_RATE) @ numbers[COEFFICIENTS]
    return stated


def sources() -> dict[str, Array]:
    """The nine numbers of each independent source, offsets as under an ordinary load."""
    found: dict[str, Array] = {}
    for family in truth.FAMILIES:
        profile, runs = profile_for(family), []
        for run in truth.recordings(truth.data_folder()):
            if run.family == family:
                runs += discharges(samples_of(Case(run=run, profile=profile, inputs="V+I")), profile, run.name)
        found[family] = _ordinary(fit_runs(_wide(), runs)[0].mean)
    series: dict[str, list[Array]] = {}
    for name, entries in published_tables().items():
        maker = next((to for start, to in SERIES.items() if name.startswith(start)), "US, USL, XLT")
        fit = sheet_prior(_wide(), [row for _, row in entries], entries[0][0])
        series.setdefault(maker, []).append(_ordinary(fit.mean))
    return found | {maker: np.mean(fits, axis=0) for maker, fits in series.items()}


def derived(found: dict[str, Array], without: str | None) -> tuple[Array, Array]:
    """(9,) mean and (9,) spread by the rule, in the form of SOUND_MEAN and SOUND_SD."""
    kept = np.stack([numbers for name, numbers in found.items() if name != without])
    mean, sd = kept.mean(axis=0), np.maximum(WIDENED * kept.std(axis=0, ddof=1), 0.5 * prior.SOUND_SD)
    mean[0], sd[0] = prior.SOUND_MEAN[0], prior.SOUND_SD[0]
    parts = prior.terms(np.array(0.5), prior.ORDINARY_RATE)
    mean[OFFSET] -= parts[1:] @ mean[OFFSET + 1 :]
    return mean, sd


@contextmanager
def instead(mean: Array, sd: Array) -> Iterator[None]:
    """The estimator with this population in place of its own."""
    before = prior.SOUND_MEAN.copy(), prior.SOUND_SD.copy()
    prior.SOUND_MEAN[:], prior.SOUND_SD[:] = mean, sd
    try:
        yield
    finally:
        prior.SOUND_MEAN[:], prior.SOUND_SD[:] = before


def main(arguments: list[str]) -> None:
    """Prints the sources, and the population with each recorded family left out beside the one in use."""
    found = sources()
    print(f"{'':<34}" + "".join(f"{name:>15}" for name in NAMES))
    for name, numbers in found.items():
        print(f"{name + ' (offset: loaded volts)':<34}" + "".join(f"{value:15.4f}" for value in numbers))
    for left_out in (None, *truth.FAMILIES):
        mean, sd = derived(found, left_out)
        label = f"without {left_out}" if left_out else "all sources"
        print(f"{label + ', mean':<34}" + "".join(f"{value:15.4f}" for value in mean))
        print(f"{label + ', spread':<34}" + "".join(f"{value:15.4f}" for value in sd))
    print(f"{'in use, mean':<34}" + "".join(f"{value:15.4f}" for value in prior.SOUND_MEAN))
    print(f"{'in use, spread':<34}" + "".join(f"{value:15.4f}" for value in prior.SOUND_SD))
