"""A 1-wire bus with nobody on it."""


class OneWire:
    def __init__(self, pin):
        pass

    def reset(self):
        return False
