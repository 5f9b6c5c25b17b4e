"""What is believed about a battery before a run: nine numbers with their spread, from profile or from earlier runs."""

from dataclasses import dataclass, replace

import numpy as np

from groundbox.battery.curve import TERMS, Array, terms

NAMES = ("capacity_c20", "lag_strength", *TERMS)
CAPACITY, LAG, COEFFICIENTS = 0, 1, slice(2, 9)

# Population of sound batteries: the middle and spread of fits to seven makers' discharge tables and three recorded
# batteries (17 Ah valve-regulated, 85 Ah tubular, a large five-cell block), widened, since ten batteries are few.
SOUND_MEAN: Array = np.array([1.06, 1.00, 2.047, 0.100, 0.060, 0.058, 0.0120, 0.150, 0.0060])
SOUND_SD: Array = np.array([0.24, 0.90, 0.017, 0.055, 0.065, 0.018, 0.0080, 0.110, 0.0045])
OFFSET, SLOPE, BEND = 2, 3, 4
SLOPE_BEND_CORRELATION = -0.7
# Batteries differ less in their voltage under an ordinary load at half depletion than in the parts it is made of
# (15 mV a cell among six independent sources; with the parts independent it would be 31), so the spread of
# `offset_v` is given there, at this rate, and the offset is whatever the other parts leave.
ORDINARY_RATE = 0.1
SOUND_ERROR_VOLTS = 0.009
# A load nobody declared: a box is sized for a day, so around a tenth of C20, from a fiftieth to a half (assumed).
LIKELY_LOG_RATE, LOG_RATE_SD = float(np.log(1 / 10)), 0.8
# A battery of unknown age may be worn: this share of belief is spread evenly from WORST_CAPACITY to 1.
WORN_SHARE, WORST_CAPACITY = 0.15, 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """mean (9,) and covariance (9, 9) of NAMES; `error_volts` is the lasting misfit of the curve per cell."""

    mean: Array
    covariance: Array
    error_volts: float
    worn_share: float

    def moved(self, index: int, mean: float, sd: float) -> "Prior":
        """The same with one number given anew and made independent of the others."""
        mean_vector, covariance = self.mean.copy(), self.covariance.copy()
        mean_vector[index] = mean
        covariance[index, :] = covariance[:, index] = 0.0
        covariance[index, index] = sd * sd
        return replace(self, mean=mean_vector, covariance=covariance)

    def spread(self, index: int, sd: float) -> "Prior":
        """The same with one number less sure, by `sd` of something that has nothing to do with the others."""
        covariance = self.covariance.copy()
        covariance[index, index] += sd * sd
        return replace(self, covariance=covariance)


def sound_prior() -> Prior:
    """The population of lead-acid batteries in good order."""
    covariance = np.diag(SOUND_SD**2)
    covariance[SLOPE, BEND] = covariance[BEND, SLOPE] = SLOPE_BEND_CORRELATION * SOUND_SD[SLOPE] * SOUND_SD[BEND]
    parts = terms(np.array(0.5), ORDINARY_RATE)
    by_parts = np.eye(len(NAMES))
    by_parts[OFFSET, OFFSET + 1 :] = -parts[1:]
    covariance = by_parts @ covariance @ by_parts.T
    return Prior(mean=SOUND_MEAN.copy(), covariance=covariance, error_volts=SOUND_ERROR_VOLTS, worn_share=WORN_SHARE)
