"""`groundbox battery confirm` and `undo`: what a day in the field taught is confirmed, or taken back."""

from datetime import datetime

import click

from groundbox.battery.profile import BatteryProfile, confirmed, earlier_profiles, load_profile, save_profile, take_back
from groundbox.errors import BadInput


def summary(profile: BatteryProfile) -> str:
    """Capacity of a profile and how it is known, in a few words."""
    fitted = profile.fitted
    if fitted is None:
        return f"rated {profile.c20_ah:g} Ah, never fitted"
    waiting = sum(not row.confirmed for row in profile.history)
    words = f"{fitted.capacity_ah:.1f} ± {2 * fitted.capacity_sd_ah:.1f} Ah from {fitted.runs} discharges"
    return f"{words}, {waiting} of them not confirmed" if waiting else words


@click.command(epilog="Example: groundbox battery confirm mast.toml")
@click.argument("file", type=click.Path())
def confirm(file: str) -> None:
    """Confirm what days in the field taught: this battery was in the box, and it was full at the start."""
    profile = load_profile(file)
    if all(row.confirmed for row in profile.history):
        raise BadInput(file, "", "holds nothing that waits to be confirmed")
    save_profile(file, confirmed(profile))
    click.echo(f"{file}: {summary(confirmed(profile))}")


@click.command(epilog="Example: groundbox battery undo mast.toml")
@click.argument("file", type=click.Path())
@click.option("--list", "as_list", is_flag=True, help="Show the earlier versions; change nothing.")
def undo(file: str, as_list: bool) -> None:
    """Take the newest change of a profile back: restore the version before it."""
    if as_list:
        for path in earlier_profiles(file):
            made = datetime.fromtimestamp(path.stat().st_mtime)
            click.echo(f"{path}  {made:%Y-%m-%d %H:%M}  {summary(load_profile(path))}")
        return
    before = summary(load_profile(file))
    click.echo(f"{file}: {summary(take_back(file))}; taken back: {before}")
