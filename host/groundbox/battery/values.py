"""What goes into the estimator and what comes out; plain values, volts and amps positive on discharge."""

from dataclasses import dataclass

END_VOLTS_PER_CELL = 1.75  # per cell; IEC 61056-1 ends the 20-hour discharge here, from memory
REST_FULL = 2.150  # volts per cell at rest, AGM, from memory
LEAST_CUTOFF = 1.3  # volts per cell: no maker's table ends a discharge lower (common practice, no source)


def cutoff_mismatch(cutoff_volts: float, cells: int, battery: str = "battery") -> str | None:
    """Why this cutoff cannot belong to a battery of so many cells, with the mend; None where it may."""
    full = REST_FULL * cells
    if cutoff_volts >= full:
        return f"{cutoff_volts:g} V is not under the {full:.1f} V of a full {battery} at rest: lower it"
    if cutoff_volts < LEAST_CUTOFF * cells:
        return (
            f"{cutoff_volts:g} V is {cutoff_volts / cells:.2f} V for each of the {cells} cells of the {battery}, which "
            f"is finished far above: raise it to {LEAST_CUTOFF * cells:.1f} V or more, or correct the number of cells"
        )
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One row of a log: means over the interval that ends at `t_s`. None is "no reading".

    switched_amps: what the loads draw whose switches are known (fans by their drive, outputs by their state), where
        the whole load is neither measured nor declared; the rest of it is inferred.
    """

    t_s: float
    volts: float
    amps: float | None = None
    declared_amps: float | None = None
    switched_amps: float | None = None
    case_c: float | None = None
    battery_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Where runtime ends.

    cutoff_volts: under this, at the equipment, the equipment stops.
    lead_ohm: resistance of leads, fuse and connectors between battery and equipment.
    end_volts_per_cell: end voltage that spares the battery; None is what the maker's rows in its profile end at for
        the load, else 1.75 V; 0 is no floor.
    """

    cutoff_volts: float
    lead_ohm: float = 0.0
    end_volts_per_cell: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """A stretch of the load to come; `peak_amps` is the largest load that switches on within it."""

    seconds: float
    amps: float
    peak_amps: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Voltage and amp-hours contradict the battery's profile: what it looks like, in one sentence."""

    kind: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """State of charge (0 to 1) and runtime left in seconds: 5, 50 and 95 % of what may be.

    Everything is None while unknown; runtimes are None while charging or with no load, and 0 under the limit.

    limit: what ends the runtime, "cutoff" or "end_voltage".
    amps: mean load of the last minutes, which the end voltage belongs to.
    trust: how the figures are known. "measured": the battery is fitted from two or more discharges; "one_session":
        from one; "nameplate": it was never fitted; "doubtful": findings contradict the profile.
    """

    t_s: float | None
    soc: float | None = None
    soc_low: float | None = None
    soc_high: float | None = None
    runtime_low_s: float | None = None
    runtime_expected_s: float | None = None
    runtime_high_s: float | None = None
    limit: str | None = None
    charging: bool = False
    unknown_because: str | None = None
    amps: float | None = None
    findings: tuple[Finding, ...] = ()
    trust: str | None = None
