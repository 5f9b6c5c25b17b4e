"""What a link tells the person, one line each."""

from groundbox.link.questions import Moment
from groundbox.model import Hello, LinkNote
from groundbox.wire.messages import checksum


def met(source: str, now: Moment, hello: Hello, *, again: bool) -> LinkNote:
    """A board answers, or has started anew."""
    if again:
        return _note(source, now, hello.box, "restarted", f"box {hello.box} started anew ({hello.reset_cause})")
    return _note(source, now, hello.box, "found", f"box {hello.box} answers, firmware {hello.firmware}")


def registry(source: str, now: Moment, box: str, firmware: str | None, theirs: str | None) -> LinkNote:
    """A board of another version."""
    sentence = (
        f"box {box} speaks registry {theirs} (firmware {firmware}), this program {checksum()}; its data is not "
        "decoded: install firmware and program of one version"
    )
    return _note(source, now, box, "registry", sentence)


def twice(source: str, now: Moment, box: str) -> LinkNote:
    """A second board of the same name."""
    sentence = f"a second board calls itself {box}; its data is not taken: give one of the two another name"
    return _note(source, now, box, "twice", sentence)


def lost_records(source: str, now: Moment, box: str, lost: int) -> LinkNote:
    """Records the board held no longer when they were asked for."""
    return _note(source, now, box, "gap", f"box {box}: {lost} records are lost; the board could hold them no longer")


def _note(source: str, now: Moment, box: str, kind: str, sentence: str) -> LinkNote:
    return LinkNote(source=source, box=box, kind=kind, sentence=f"{source}: {sentence}", wall_s=now.wall_s)
