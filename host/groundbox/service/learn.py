"""What one logged discharge teaches about the battery that gave it: its papers are written anew.

Runs beside the service's loop, since a fit takes seconds. Needs NumPy.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from groundbox.battery.papers import HistoryRow, Papers, load_papers, save_papers
from groundbox.battery.values import FLOOR_VOLTS, Sample
from groundbox.errors import BadInput
from groundbox.model import Reading
from groundbox.service.discharge import BOARD_AMPS, Discharge
from groundbox.service.timeline import Timeline
from groundbox.service.tracker import Tracker, sample_of
from groundbox.settings import Box, Settings
from groundbox.store import Reader

OUTING_S = 12 * 3600.0  # what is older does not count as the present


@dataclass(frozen=True, slots=True, kw_only=True)
class Learnt:
    """The papers as they are now, the row that was added (None: it was in them), and a tracker that knows both."""

    file: Path
    papers: Papers
    row: HistoryRow | None
    verdict: str
    tracker: Tracker


def source_name(box: str, discharge: Discharge) -> str:
    """Names a discharge in a battery's history, so that none is learnt twice."""
    return f"{box} {datetime.fromtimestamp(discharge.from_wall_s):%Y-%m-%d %H:%M}"


def learn(settings: Settings, box: str, battery: str, discharge: Discharge, since_wall_s: float) -> Learnt | None:
    """Fits the battery's papers with `discharge` and writes them, unless that was done before; None: too shallow.

    `since_wall_s`: since when the battery is in the box.

    Raises:
        BadInput: the papers cannot be read or written.
        StoreError: the store cannot be read.
    """
    path, entry = settings.papers_path(battery), settings.boxes.get(box)
    if path is None or entry is None:
        return None
    with Reader(settings.store) as reader:
        readings = list(reader.readings(box, discharge.from_wall_s - 1.0, discharge.to_wall_s + 1.0))
        papers, source, row = load_papers(path), source_name(box, discharge), None
        if all(row.source != source for row in papers.history):
            learnt = learnt_from(papers, samples(entry, readings), source, discharge)
            if learnt is None:
                return None
            save_papers(path, learnt)
            papers, row = load_papers(path), learnt.history[-1]  # as rounded there
        tracker = Tracker(box, entry, battery, papers)
        for reading in reader.readings(box, max(discharge.to_wall_s - OUTING_S, since_wall_s)):
            t_s = tracker.timeline.at(reading.boot, reading.uptime_ms, reading.wall_s)
            if t_s is not None:
                tracker.take(t_s, reading)
    tracker.ended = None  # learnt just now
    return Learnt(file=path, papers=papers, row=row, verdict=verdict(papers), tracker=tracker)


def learnt_from(papers: Papers, rows: list[Sample], source: str, discharge: Discharge) -> Papers | None:
    """The papers with that discharge; None where they have it already, or its rows tell too little.

    Raises:
        BadInput: it cannot be this battery's.
    """
    from groundbox.battery.fit import fitted_papers, refusal
    from groundbox.battery.logged import discharges

    if any(row.source == source for row in papers.history):
        return None
    runs = discharges(_worth(rows, papers), papers, source)
    if not runs:
        return None
    deepest = max(runs, key=lambda run: run.depth)
    learnt = fitted_papers(papers, [deepest], datetime.fromtimestamp(discharge.to_wall_s).date())
    if why := refusal(learnt, [deepest]):
        raise BadInput(f"the discharge {source}", "", f"is not learnt: it {why}")
    return learnt


def _worth(rows: list[Sample], papers: Papers) -> Iterator[Sample]:
    """The rows without those under the floor, where no curve holds; what only the board takes is rest."""
    floor_volts = FLOOR_VOLTS * papers.cells
    for row in rows:
        amps = row.declared_amps if row.amps is None else row.amps
        if amps is not None and 0 <= amps < BOARD_AMPS:
            yield replace(row, amps=0.0)
        elif amps is None or amps < 0 or row.volts >= floor_volts:
            yield row


def samples(entry: Box, readings: list[Reading]) -> list[Sample]:
    """The readings as the estimator takes them."""
    timeline, found = Timeline(), []
    for reading in readings:
        t_s = timeline.at(reading.boot, reading.uptime_ms, reading.wall_s)
        sample = None if t_s is None else sample_of(entry, t_s, reading)
        if sample is not None:
            found.append(sample)
    return found


def verdict(papers: Papers) -> str:
    """On the battery's health, in one sentence."""
    from groundbox.battery.health import health

    return health(papers).verdict


def sentence(learnt: Learnt, row: HistoryRow) -> str:
    """What a person is told."""
    share = row.capacity_ah / learnt.papers.c20_ah
    at = "" if row.temp_c is None else f" at {row.temp_c:.0f} C"
    return (
        f"battery {learnt.papers.label or learnt.file.stem}: a discharge of {row.depth:.0%} of rated{at} is "
        f"learnt into {learnt.file}: it holds {row.capacity_ah:.1f} +- {2 * row.capacity_sd_ah:.1f} Ah, "
        f"{share:.0%} of rated, {row.resistance_mohm:.0f} mohm; {learnt.verdict}"
    )
