"""The board's own time until turn-back: a budget of charge and time, from a host or made here, that it counts down.

A host gives the charge and the time until turn-back, the time home with the reserve, and the load it assumed. In
flight the time runs; every second takes the charge that is drawn. While a host speaks, its time counts. Alone, the
smaller of both counts: the charge at the present load, where that is larger, which the way home needs too. A load above
the assumed one takes three quarters of the excess more, since a battery gives less of its charge to a larger load (the
share is an assumption; a test compares it with simulated batteries).

Without a host, a marked launch makes a cautious budget: the smaller of what the voltage under a known load shows and
of the charge that was counted last.
"""

from core.battery_table import BatteryTable
from groundbox.wire.messages import UNKNOWN
from micropython import const

_LONGEST_S = const(32000)
_OLD_S = const(86400)
_HOST_S = const(10)  # a host counts as present this long after it spoke
_RESTED_S = const(14400)  # a charger leaves a surface charge that reads as full: 4 hours (common practice, no source)
_STORED_PERCENT = const(85)  # of a charging current that counts (common practice, no source)
_DOUBT_S = const(120)  # without its host a budget of charge ends so much earlier (assumed, as the share above)
_EARLIER_S = const(60)
_MISSED_S = const(320)  # since the last save, longest: 300 s, the watchdog's 8 s, the start
_CHARGE_LIMIT = const(1 << 29)
_STATE = const(8)  # numbers that are saved before those of the table


class TurnBack:
    """Counts down.

    Attributes:
        left_s: seconds until turn-back, 0 to 32000; on the ground: if the launch were now; UNKNOWN.
        own: 1 while the budget was made here.
        urgent: 1 from a budget that ends earlier, or none, until it is saved.
        table: core.battery_table.BatteryTable.
    """

    def __init__(self):
        self.left_s = UNKNOWN
        self.own = 0
        self.urgent = 0
        self.table = BatteryTable()
        self._charge = UNKNOWN  # mA s until turn-back; kept while the time is unknown
        self._time_s = UNKNOWN
        self._load_ma = 0
        self._home_s = 0
        self._age_s = 0
        self._host_s = _HOST_S + 1
        self._rested_s = _RESTED_S  # since a charger was seen

    def spent(self):
        """True when the charge until turn-back is known and used up."""
        return self._charge != UNKNOWN and self._charge <= 0

    # --- what comes from outside ---

    def hear(self):
        """A host spoke."""
        self._host_s = 0

    def give(self, charge_mah, time_s, home_s, load_ma):
        """A host gives a budget; all whole numbers, `load_ma` above 0."""
        if self.left_s != UNKNOWN and time_s + _EARLIER_S < self.left_s:
            self.urgent = 1
        self._charge = charge_mah * 3600
        self._load_ma = load_ma
        self._home_s = home_s
        self._rested_s = _RESTED_S
        self.table.assume(load_ma)
        self._begin(time_s, 0, 0)

    def forget(self):
        """Nothing is known of the battery: a host is in doubt, or another battery is in the box."""
        if self._charge != UNKNOWN:
            self.urgent = 1
        self._charge = self._time_s = self.left_s = UNKNOWN
        self.own = 0

    def charged(self):
        """A charger is or was at the battery: the time is unknown, the charge is at least what it was."""
        if self._rested_s:
            self.urgent = 1
        self._rested_s = self.own = 0
        self._time_s = self.left_s = UNKNOWN

    def launch(self):
        """A launch is marked."""
        if self.left_s != UNKNOWN:
            self._time_s = self.left_s
            return
        table_s = self.table.left_s()
        if table_s != UNKNOWN and self._charge != UNKNOWN and self._rested_s >= _RESTED_S:
            self._load_ma = self.table.numbers[0]
            self._home_s = self.table.numbers[2]
            self._charge = min(self._charge, table_s * self._load_ma, _CHARGE_LIMIT)
            self._begin(self._by_charge(), 0, 1)

    # --- each second ---

    def step(self, seconds, battery_ma, battery_mv, charging, flying):
        """Lets whole `seconds` (1 to 5) pass; milliamperes on discharge and millivolts, each or UNKNOWN."""
        self._host_s = min(self._host_s + seconds, _OLD_S)
        self.table.step(seconds, battery_ma, battery_mv, self._load_ma)
        if charging and not flying:
            self.charged()
        else:
            self._rested_s = min(self._rested_s + seconds, _RESTED_S)
        if self._charge == UNKNOWN:
            return
        self._draw(seconds)
        if self._time_s == UNKNOWN:
            return
        self._age_s += seconds
        if self._age_s > _OLD_S:
            self.forget()
        else:
            self._count(seconds, flying)

    def _begin(self, time_s, age_s, own):
        self._time_s = time_s
        self.left_s = min(time_s, _LONGEST_S)
        self._age_s = age_s
        self.own = own

    def _count(self, seconds, flying):
        if flying:
            self._time_s = max(0, self._time_s - seconds)
        left_s = self._time_s
        if self.own or not flying or self._host_s > _HOST_S:
            table_s = self.table.left_s() if self.own and flying else UNKNOWN
            if table_s != UNKNOWN:
                self._charge = min(self._charge, table_s * self._load_ma)
            doubt_s = _DOUBT_S if flying and not self.own else 0
            left_s = max(0, min(left_s, self._by_charge() - doubt_s))
        self.left_s = min(left_s, _LONGEST_S)

    def _by_charge(self):
        """Seconds until turn-back by the charge, when the load stays as it is on the way home."""
        return max(0, (self._charge + self._load_ma * self._home_s) // self._rate_ma() - self._home_s)

    def _weighed_ma(self):
        """Mean current, three quarters of what exceeds the assumed load once more."""
        mean_ma = self.table.mean_ma
        return mean_ma + max(0, mean_ma - self._load_ma) * 3 // 4

    def _rate_ma(self):
        return max(self._load_ma, self._weighed_ma(), 1)

    def _draw(self, seconds):
        drawn_ma = self._weighed_ma()
        if drawn_ma >= 0:
            self._charge = max(-_CHARGE_LIMIT, self._charge - drawn_ma * seconds)
        elif self._charge < self.table.full():
            self._charge = min(self.table.full(), self._charge - drawn_ma * _STORED_PERCENT // 100 * seconds)

    # --- over a restart ---

    def saved(self):
        """Whole numbers for `restore`; allocates."""
        rested = 1 if self._rested_s >= _RESTED_S else 0
        mean_ma = 0 if self._charge == UNKNOWN else self.table.mean_ma
        state = [self._charge, self._time_s, self._load_ma, self._home_s, self._age_s, self.own, rested, mean_ma]
        return state + self.table.numbers

    def restore(self, numbers, continues):
        """Takes up what `saved` gave, less the longest time since; `continues`: no power was lost."""
        charge, time_s, self._load_ma, self._home_s, age_s, own, rested, mean_ma = numbers[:_STATE]
        self.table.numbers = list(numbers[_STATE:])
        self.table.assume(mean_ma)
        self._rested_s = _RESTED_S if rested else 0
        if charge != UNKNOWN:
            self._charge = max(-_CHARGE_LIMIT, charge - _MISSED_S * self._rate_ma())
        if continues and time_s != UNKNOWN:
            self._begin(max(0, time_s - _MISSED_S), age_s + _MISSED_S, own)
        self.urgent = 1  # a second restart must not count from the same numbers again
