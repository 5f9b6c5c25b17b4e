"""Values as they are written beside parts."""


def ohm(value: float) -> str:
    """Resistance as it is written beside a part."""
    for size, letter in ((1e6, "M"), (1e3, "k")):
        if value >= size:
            return f"{value / size:g} {letter}"
    return f"{value * 1e3:g} mΩ" if value < 1 else f"{value:g} Ω"


def farad(value: float) -> str:
    """Capacitance as it is written beside a part."""
    for size, letter in ((1e-6, "µF"), (1e-9, "nF")):
        if value >= size:
            return f"{value / size:g} {letter}"
    return f"{value / 1e-12:g} pF"
