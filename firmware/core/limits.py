"""The settings in force, as attributes: every part reads them where it needs them, so that a change counts at once."""


class Limits:
    """One attribute for each setting of groundbox.wire.settings, named like it, except the points of calibrations.

    Args:
        settings: dictionary with every setting, already found good by `refusal_of_all`.

    Attributes:
        settings: that dictionary, for what has a number or a channel in its name.
    """

    def __init__(self, settings):
        self.take(settings)

    def take(self, settings):
        """Takes changed settings into force; allocates."""
        self.settings = settings
        for name in settings:
            if "_raw" not in name and "_true" not in name:
                setattr(self, name, settings[name])
