"""The board's own radio, up only as long as it is asked for; where the port has none, a wire is in its place."""


class Radio:
    """Wi-Fi as a station of one network.

    Args:
        ssid, password: of that network; ssid None: there is a wire, nothing is to be done.
    """

    def __init__(self, ssid, password):
        self._ssid = ssid
        self._password = password
        self._station = None

    def up(self):
        """True once the network is joined; begins to join it when it is not on its way."""
        if self._ssid is None:
            return True
        if self._station is None:
            import network

            station = network.WLAN(network.STA_IF)
            station.active(True)
            station.connect(self._ssid, self._password)  # joins again by itself
            self._station = station
        return self._station.isconnected()

    def down(self):
        """Off; no field is sent."""
        if self._station is not None:
            self._station.active(False)
            self._station = None
