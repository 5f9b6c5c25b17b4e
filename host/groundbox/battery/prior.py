"""From profile to belief: data sheet, age and fits turned into the prior the estimator starts from."""

from dataclasses import replace

import numpy as np

from groundbox.battery.population import CAPACITY, WORN_SHARE, Prior, sound_prior
from groundbox.battery.profile import BatteryProfile, Fitted
from groundbox.battery.sheet import sheet_prior

__all__ = ["CAPACITY", "Prior", "aged", "fitted_prior", "prior_of", "belief_of"]

# Assumed: in field use a battery loses this part of its capacity a year, and the loss differs widely.
FADE_PER_YEAR, FADE_SPREAD = 0.07, 0.6
SHEET_TRUST, SHEET_SLACK = 0.6, 0.9
# The one run that was fitted may not have begun full, or not have been this battery.
DOUBT_ONE_RUN = 0.15
# Two equal runs of one battery differ by about this much (3.6 % measured between two runs of the 17 Ah block).
RUN_CAPACITY_SD, RUN_OFFSET_SD = 0.03, 0.006
UNSEEN_CAPACITY_SD = 0.08  # and this for what one run at one load does not show, less with each more
FITS_WELL_VOLTS = 0.008  # a misfit up to here is a steady run's; a curve that follows its own runs worse knows less


def aged(prior: Prior, age_years: float) -> Prior:
    """Capacity lowered and spread with age in service (assumed rates, see FADE_PER_YEAR)."""
    fade = FADE_PER_YEAR * age_years
    sd = float(np.hypot(np.sqrt(prior.covariance[CAPACITY, CAPACITY]), FADE_SPREAD * fade))
    worn = WORN_SHARE * min(1.0, age_years / 2)
    return replace(prior.moved(CAPACITY, float(prior.mean[CAPACITY]) * max(1 - fade, 0.4), sd), worn_share=worn)


def fitted_prior(fitted: Fitted) -> Prior:
    """The prior stored in a battery file, widened by what differs between two equal runs."""
    mean, covariance = np.array(fitted.mean), np.array(fitted.covariance)
    poorly = max(fitted.error_volts / FITS_WELL_VOLTS, 1.0)
    run_sd = RUN_CAPACITY_SD * poorly + UNSEEN_CAPACITY_SD * poorly / fitted.runs**2
    covariance[CAPACITY, CAPACITY] += (run_sd * mean[CAPACITY]) ** 2
    covariance[2, 2] += RUN_OFFSET_SD**2
    return Prior(
        mean=mean,
        covariance=covariance,
        error_volts=fitted.error_volts,
        worn_share=DOUBT_ONE_RUN / fitted.runs**2,
    )


def after_sheet(prior: Prior, sheet: Prior) -> Prior:
    """A battery bought by this sheet: between its numbers and the population's, and nearly as wide as that.

    The 17 Ah block that was measured gave 39 % more at 3 A than a sheet of its size promises.
    """
    mean = SHEET_TRUST * sheet.mean + (1 - SHEET_TRUST) * prior.mean
    return replace(sheet, mean=mean, covariance=sheet.covariance + SHEET_SLACK**2 * prior.covariance)


def prior_of(profile: BatteryProfile) -> Prior:
    """What is believed before any run of this battery: its data sheet, its age, else any sound battery."""
    prior = sound_prior()
    if profile.discharge:
        prior = after_sheet(prior, sheet_prior(prior, profile.discharge, profile.c20_ah))
    return prior if profile.age_years is None else aged(prior, profile.age_years)


def belief_of(profile: BatteryProfile) -> Prior:
    """The most that the profile tells."""
    return prior_of(profile) if profile.fitted is None else fitted_prior(profile.fitted)
