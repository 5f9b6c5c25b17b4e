"""The settings a board works with, and the file they outlive a reset in."""

from binascii import crc32

from groundbox.wire.line import check
from groundbox.wire.messages import fields_of
from groundbox.wire.settings import SETTINGS, contradiction, defaults, range_of, refusal_of_all
from startup.safe_file import SafeFile


class SettingsStore:
    """The settings in force and the file they are in.

    Attributes:
        values: dictionary with every name of SETTINGS.
        box: the box's name.
        fallback: True when the newest file was damaged and the one before it, or the defaults, are in force; and
            when stored settings contradict each other: these are at their defaults.
        complaints: one line for each setting that was not taken from the file.
    """

    def __init__(self, box, path="settings"):
        self._slots = SafeFile(path)
        self.values = defaults()
        self.box = box
        self.complaints = []
        content = self._slots.load()
        self.fallback = self._slots.damaged
        if content is not None:
            self._take(content.decode())
        if self._slots.damaged:
            self._slots.save(self._content(self.values, self.box))

    def change(self, changes):
        """Why these changes (name: value, "box" may be among them) are refused; "" when in force and saved."""
        box = changes.pop("box", self.box)
        reason = _refusal_of_box(box) or refusal_of_all(changes, self.values)
        if reason:
            return reason
        values = dict(self.values)
        values.update(changes)
        if not self._slots.save(self._content(values, box)):
            return "flash does not take it"
        self.values.update(changes)
        self.box = box
        return ""

    def checksum(self):
        """CRC-32 over "name=value;" of every setting in the registry's order, eight hexadecimal digits."""
        crc = 0
        for setting in SETTINGS:
            crc = crc32(b"%s=%d;" % (setting[0].encode(), self.values[setting[0]]), crc)
        return "%08X" % (crc & 0xFFFFFFFF)

    def _content(self, values, box):
        """What differs from the defaults, so that a later firmware may improve these."""
        lines = ["box %s" % box]
        for setting in SETTINGS:
            if values[setting[0]] != setting[1]:
                lines.append("%s %d" % (setting[0], values[setting[0]]))
        return "\n".join(lines).encode()

    def _take(self, text):
        changes = {}
        for line in text.split("\n"):
            name, _, value = line.partition(" ")
            if name == "box":
                self.box = value
            elif _in_range(name, value):
                changes[name] = int(value)
            else:
                self.complaints.append("settings: %s %s is not taken" % (name, value))
        unchanged = dict(self.values)
        self.values.update(changes)
        reason, names = contradiction(self.values)
        while reason:  # the defaults contradict nothing, so each round takes at least one stored value away
            self.fallback = True
            self.complaints.append("settings: %s; defaults of these are in force" % reason)
            for name in names:
                self.values[name] = unchanged[name]
            reason, names = contradiction(self.values)


def _refusal_of_box(box):
    try:
        check(fields_of("hello")[0], box)
    except ValueError as error:
        return str(error)
    return "box: * means every box; choose a name" if box == "*" else ""


def _in_range(name, value):
    bounds = range_of(name)
    try:
        return bounds is not None and bounds[0] <= int(value) <= bounds[1]
    except ValueError:
        return False
