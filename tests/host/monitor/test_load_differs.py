"""A finding about the load reaches the judge by its kind."""

from types import SimpleNamespace

from groundbox.battery.values import Finding
from groundbox.monitor.follower import load_differs


def test_only_a_finding_about_the_load_counts() -> None:
    found = [Finding(kind="load?", sentence="0.5 A is measured"), Finding(kind="bad connector", sentence="0.2 ohm")]
    assert load_differs(SimpleNamespace(findings=found)) == "0.5 A is measured"  # type: ignore[arg-type]
    assert load_differs(SimpleNamespace(findings=found[1:])) is None  # type: ignore[arg-type]
    assert load_differs(None) is None
