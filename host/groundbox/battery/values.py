"""What goes into the estimator and what comes out; plain values, volts and amps positive on discharge."""

from dataclasses import dataclass


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
class Phase:
    """A stretch of the load to come.

    peak_amps: the largest load that switches on within it.
    sag_volts: by how much a recurring burst of less than a second lowers the voltage at the equipment further, as it
        was measured.
    spread: relative standard deviation of `amps` over a flight's length, where the box's habit shows it; None: by how
        the load came and went of late.
    """

    seconds: float
    amps: float
    peak_amps: float | None = None
    sag_volts: float = 0.0
    spread: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Voltage and amp-hours contradict the battery's profile: the likely cause, in one sentence."""

    kind: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """State of charge (0 to 1) and runtime left in seconds: their 5, 50 and 95 % points.

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
