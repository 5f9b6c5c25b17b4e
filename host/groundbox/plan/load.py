"""A consumer in a box, as groundbox.toml and day files declare it."""

from typing import Annotated

import msgspec
from msgspec import Meta

Volts = Annotated[float, Meta(ge=4, le=60, description="volts")]
Watts = Annotated[float, Meta(ge=0, le=2000, description="watts")]
Amps = Annotated[float, Meta(ge=0, le=200, description="amperes")]


class LoadSpec(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One consumer, essential unless it is `sheddable`.

    Give `watts` or `amps`: the mean while it is on. `peak_...` is the maximum at its start or in use.
    """

    name: Annotated[str, Meta(min_length=1, max_length=30, description="what the load is")]
    watts: Watts | None = None
    amps: Amps | None = None
    peak_watts: Watts | None = None
    peak_amps: Amps | None = None
    fraction: Annotated[float, Meta(ge=0, le=1, description="fraction of the time it is on")] = 1.0
    sheddable: Annotated[bool, Meta(description="true or false: may be switched off to save charge")] = False
    with_fans: Annotated[bool, Meta(description="true or false: runs only while the board drives the fans")] = False
    lowest_volts: Volts | None = None
    highest_volts: Volts | None = None

    def mean_amps(self, volts: float) -> float:
        """Amperes while it is on, at `volts`."""
        return self.amps if self.amps is not None else (self.watts or 0.0) / volts

    def heaviest_amps(self, volts: float) -> float:
        """Amperes at its heaviest moment, at `volts`; its mean where no peak is told."""
        if self.peak_amps is not None:
            return self.peak_amps
        return self.peak_watts / volts if self.peak_watts is not None else self.mean_amps(volts)

    def contradiction(self) -> str:
        """What its keys say against each other and the mend, or ""."""
        if (self.watts is None) == (self.amps is None):
            return "wants either watts or amps, one of them"
        if self.peak_watts is not None and self.peak_amps is not None:
            return "wants peak_watts or peak_amps, not both"
        if self.heaviest_amps(12.0) < self.mean_amps(12.0):
            return "has a peak below its mean; a peak is its heaviest moment"
        if self.lowest_volts and self.highest_volts and self.lowest_volts >= self.highest_volts:
            return "wants lowest_volts under highest_volts"
        return ""
