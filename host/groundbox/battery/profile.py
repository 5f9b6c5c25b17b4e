"""From papers to belief: data sheet, age and fits turned into the profile the estimator starts from."""

from dataclasses import replace

import numpy as np

from groundbox.battery.papers import Fitted, Papers
from groundbox.battery.population import CAPACITY, WORN_SHARE, Profile, sound_profile
from groundbox.battery.sheet import sheet_profile

__all__ = ["CAPACITY", "Profile", "aged", "fitted_profile", "prior_of", "profile_of"]

# Assumed: in field use a battery loses this part of its capacity a year, and the loss differs widely.
FADE_PER_YEAR, FADE_SPREAD = 0.07, 0.6
SHEET_TRUST, SHEET_SLACK = 0.6, 0.9
# The one run that was fitted may not have begun full, or not have been this battery.
DOUBT_ONE_RUN = 0.15
# Two equal runs of one battery differ by about this much (3.6 % measured between two runs of the 17 Ah block).
RUN_CAPACITY_SD, RUN_OFFSET_SD = 0.03, 0.006
UNSEEN_CAPACITY_SD = 0.08  # and this for what one run at one load does not show, less with each more
FITS_WELL_VOLTS = 0.008  # a misfit up to here is a steady run's; a curve that follows its own runs worse knows less


def aged(profile: Profile, age_years: float) -> Profile:
    """Capacity lowered and spread with age in service (assumed rates, see FADE_PER_YEAR)."""
    fade = FADE_PER_YEAR * age_years
    sd = float(np.hypot(np.sqrt(profile.covariance[CAPACITY, CAPACITY]), FADE_SPREAD * fade))
    worn = WORN_SHARE * min(1.0, age_years / 2)
    return replace(profile.moved(CAPACITY, float(profile.mean[CAPACITY]) * max(1 - fade, 0.4), sd), worn_share=worn)


def fitted_profile(fitted: Fitted) -> Profile:
    """The profile stored in a battery file, widened by what differs between two equal runs."""
    mean, covariance = np.array(fitted.mean), np.array(fitted.covariance)
    poorly = max(fitted.error_volts / FITS_WELL_VOLTS, 1.0)
    run_sd = RUN_CAPACITY_SD * poorly + UNSEEN_CAPACITY_SD * poorly / fitted.runs**2
    covariance[CAPACITY, CAPACITY] += (run_sd * mean[CAPACITY]) ** 2
    covariance[2, 2] += RUN_OFFSET_SD**2
    return Profile(
        mean=mean,
        covariance=covariance,
        error_volts=fitted.error_volts,
        worn_share=DOUBT_ONE_RUN / fitted.runs**2,
    )


def after_sheet(prior: Profile, sheet: Profile) -> Profile:
    """A battery bought by this sheet: between its numbers and the population's, and nearly as wide as that.

    The 17 Ah block that was measured gave 39 % more at 3 A than a sheet of its size promises.
    """
    mean = SHEET_TRUST * sheet.mean + (1 - SHEET_TRUST) * prior.mean
    return replace(sheet, mean=mean, covariance=sheet.covariance + SHEET_SLACK**2 * prior.covariance)


def prior_of(papers: Papers) -> Profile:
    """What is believed before any run of this battery: its data sheet, its age, else any sound battery."""
    profile = sound_profile()
    if papers.discharge:
        profile = after_sheet(profile, sheet_profile(profile, papers.discharge, papers.c20_ah))
    return profile if papers.age_years is None else aged(profile, papers.age_years)


def profile_of(papers: Papers) -> Profile:
    """The most that the papers tell."""
    return prior_of(papers) if papers.fitted is None else fitted_profile(papers.fitted)
