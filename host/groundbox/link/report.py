"""What a link reports: notes for the person, counts of damaged and missing records, console text. Pure."""

from groundbox.link.clock import Moment
from groundbox.model import Console, Hello, Item, LinkCount, LinkNote
from groundbox.wire.messages import checksum

COUNT_S = 10.0
CONSOLE_LINES = 20  # in COUNT_S; further lines are ignored


def answers(source: str, now: Moment, hello: Hello, *, again: bool) -> LinkNote:
    """A board answers, or has restarted."""
    if again:
        return note(source, now, hello.box, "restarted", f"box {hello.box} restarted ({hello.reset_cause})")
    return note(source, now, hello.box, "found", f"box {hello.box} answers, firmware {hello.firmware}")


def version_mismatch(source: str, now: Moment, box: str, firmware: str | None, registry: str | None) -> LinkNote:
    """A board whose firmware has another message registry than this program."""
    version = f", firmware {firmware}" if firmware else ""
    sentence = (
        f"box {box} uses registry {registry}{version}; this program uses {checksum()}. Its data is not decoded. "
        "Install firmware of this program's version: groundbox board install"
    )
    return note(source, now, box, "version_mismatch", sentence)


def duplicate_name(source: str, now: Moment, box: str) -> LinkNote:
    """A second board of the same name."""
    sentence = (
        f"a second board has the name {box}; its data is not recorded. "
        "Give one of the two another name: groundbox board settings box=NAME"
    )
    return note(source, now, box, "duplicate_name", sentence)


def records_lost(source: str, now: Moment, box: str, lost: int) -> LinkNote:
    """Records that the board held no longer when they were requested."""
    return note(source, now, box, "records_lost", f"box {box}: {lost} records are lost; the board holds them no longer")


def note(source: str, now: Moment, box: str | None, kind: str, sentence: str) -> LinkNote:
    """A note for the person; see LinkNote for the kinds."""
    return LinkNote(source=source, box=box, kind=kind, sentence=f"{source}: {sentence}", wall_s=now.wall_s)


class LinkCounter:
    """Counts since the last LinkCount: damaged lines, records missing, records lost for good."""

    def __init__(self, source: str) -> None:
        self._source = source
        self.corrupt = self.gap = self.lost = 0
        self._console_lines = 0
        self._at_s: float | None = None
        self._wall_s = 0.0

    def console(self, box: str | None, text: str, now: Moment) -> list[Item]:
        """The console line as an item; nothing after CONSOLE_LINES within COUNT_S."""
        self._console_lines += 1
        if self._console_lines > CONSOLE_LINES:
            return []
        return [Console(source=self._source, box=box, text=text, wall_s=now.wall_s)]

    def due(self, box: str | None, now: Moment) -> list[Item]:
        """The counts every COUNT_S, unless all are zero."""
        self._wall_s = now.wall_s
        if self._at_s is None:
            self._at_s = now.real_s + COUNT_S
        if now.real_s < self._at_s:
            return []
        self._at_s = now.real_s + COUNT_S
        self._console_lines = 0
        return self.flush(box)

    def flush(self, box: str | None) -> list[Item]:
        """The counts so far, unless all are zero."""
        if not (self.corrupt or self.gap or self.lost):
            return []
        count = LinkCount(
            source=self._source,
            box=box,
            wall_s=self._wall_s,
            corrupt_lines=self.corrupt,
            gap_records=self.gap,
            lost_records=self.lost,
        )
        self.corrupt = self.gap = self.lost = 0
        return [count]
