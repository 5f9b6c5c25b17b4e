"""Summaries in flash: a power cut at any byte costs the last record at most, blocks wear alike, a day fits."""

from drivers.segments import BLOCK, RECORD, SLOTS, Segments
from groundbox.wire import line
from groundbox.wire.messages import LEVELS, UNKNOWN, fields_of
from uplinks.archive import Archive
from uplinks.outbox import Outbox
from uplinks.summary import FIELDS, NAMES, SummaryBuilder


class PowerCut(Exception):
    pass


class Flash:
    """Flash as it is: programming clears bits only, erasing sets a block's; the power ends after `left` bytes."""

    def __init__(self, blocks=4, fill=0):
        self.blocks = blocks
        self.bytes = bytearray(bytes([fill]) * (blocks * BLOCK))
        self.erased = [0] * blocks
        self.left = -1
        self.written = 0

    def read_into(self, block, offset, buffer):
        at = block * BLOCK + offset
        buffer[:] = self.bytes[at : at + len(buffer)]

    def program(self, block, offset, data):
        at = block * BLOCK + offset
        for i in range(len(data)):
            self._spend()
            assert self.bytes[at + i] == 255, "written twice"
            self.bytes[at + i] &= data[i]

    def erase(self, block):
        self.erased[block] += 1
        for i in range(0, BLOCK, 512):
            self._spend()
            self.bytes[block * BLOCK + i : block * BLOCK + i + 512] = b"\xff" * 512

    def _spend(self):
        if self.left == 0:
            raise PowerCut
        self.left -= 1
        self.written += 1


def _record(number):
    return b"%052d" % number


def _append(segments, count):
    """The last number."""
    for _ in range(count):
        if not segments.room():
            segments.prepare()
        segments.append(_record(segments.newest + 1))
        if segments.wants_erasing():
            segments.prepare()
    return segments.newest


def _check(segments, first, last):
    for number in range(first, last + 1):
        assert segments.read(number) == _record(number), number


def test_what_was_appended_is_read_and_found_again():
    for fill in (0, 255, 0x5A):
        flash = Flash(fill=fill)
        segments = Segments(flash)
        assert (segments.oldest, segments.newest) == (1, 0)
        assert segments.read(1) is None
        for count in (1, 34, 1, 36, 1, 71, 400):
            newest = _append(segments, count)
            assert newest - segments.oldest + 1 >= min(newest, 2 * SLOTS), "all but two blocks hold records"
            again = Segments(flash)
            for one in (segments, again):
                _check(one, segments.oldest, newest)
                assert (one.oldest, one.newest, one.prepared) == (segments.oldest, newest, segments.prepared)
                assert one.read(newest + 1) is None
                assert one.read(segments.oldest - 1) is None
            segments = again


def test_a_power_cut_at_any_byte_costs_the_last_record_at_most():
    """Records, the erasing of the next block, and its beginning, cut after each byte written."""
    for begin in (2 * SLOTS + 34, 3 * SLOTS - 1):
        whole = Flash(blocks=3)
        _append(Segments(whole), begin)
        before = bytes(whole.bytes)
        whole.written = 0
        _append(Segments(whole), 2)
        assert whole.written > 2 * RECORD
        for left in range(whole.written):
            flash = Flash(blocks=3)
            flash.bytes[:] = before
            _cut(flash, left, begin)


def _cut(flash, left, begin):
    flash.left = left
    segments = Segments(flash)
    try:
        _append(segments, 2)
        raise AssertionError
    except PowerCut:
        pass
    reached = segments.newest
    flash.left = -1
    again = Segments(flash)
    _check(again, max(again.oldest, 2 * SLOTS), max(reached - 1, begin))
    assert again.newest in (reached - 1, reached), "no number is used twice or passed over"
    after = again.newest
    assert again.read(after) in (_record(after), None)
    newest = _append(again, 80)
    _check(again, after + 1, newest)
    _check(Segments(flash), max(after + 1, again.oldest), newest)


def test_blocks_wear_alike_and_count_it():
    flash = Flash(blocks=5)
    _append(Segments(flash), 5 * SLOTS * 6)
    assert max(flash.erased) - min(flash.erased) <= 1
    assert Segments(flash).wear == max(flash.erased)


def test_damage_costs_what_it_hits():
    flash = Flash(blocks=4)
    newest = _append(Segments(flash), 150)
    at = flash.bytes.find(_record(100))
    flash.bytes[at + 51] ^= 1
    segments = Segments(flash)
    assert segments.read(100) is None
    _check(segments, 101, newest)
    _check(segments, segments.oldest, 99)


def test_a_day_of_summaries_fits():
    blocks = 122
    assert blocks * BLOCK < 512 * 1000
    assert (blocks - 2) * SLOTS >= 24 * 360, "beside the block being filled and the one erased ahead"


class _Reading:
    def __init__(self, **values):
        for field in FIELDS:
            setattr(self, field[0], 0 if isinstance(field[1], tuple) else UNKNOWN)
        for name in values:
            setattr(self, name, values[name])


def _summary(*readings):
    summary = SummaryBuilder()
    for reading in readings:
        summary.add(reading)
    return summary


def test_a_summary_says_means_extremes_worst_levels_and_last_states():
    summary = _summary(
        _Reading(battery_mv=12000, battery_min_mv=11900, battery_max_mv=12100, case_centi_c=-301, fan1_state=3),
        _Reading(battery_mv=12003, battery_min_mv=11000, battery_max_mv=12050, low_voltage=2, fan1_state=2),
        _Reading(battery_min_mv=11500, case_centi_c=-302, battery_ma=-5),
    )
    found = dict(zip(NAMES, summary.values()))  # noqa: B905 (MicroPython's zip has no strict)
    assert [found[name] for name in ("battery_mv", "battery_min_mv", "battery_max_mv")] == [12002, 11000, 12100]
    assert found["case_centi_c"] == -301
    assert (found["battery_ma"], found["battery_min_ma"], found["humidity_centi_percent"]) == (-5, UNKNOWN, UNKNOWN)
    assert (LEVELS[found["low_voltage"]], found["fan1_state"], summary.readings) == ("urgent", 0, 3)
    summary.clear()
    assert summary.values() == [UNKNOWN] * len(FIELDS)


def _archive(flash, boot, records=40):
    outbox = Outbox(records)
    return Archive(Segments(flash), outbox, boot), outbox


def _ten(archive, outbox, seconds, boot_s=0):
    """Ten seconds pass, `seconds` after the start."""
    for i in range(10):
        outbox.put_event(seconds + i, 0, 1, UNKNOWN)
    if archive.segments.wants_erasing():
        archive.prepare()
    archive.put(seconds + 10, _summary(_Reading(battery_mv=12000)))


def _settled(archive):
    for _ in range(300):
        archive.settle()
    return archive.done_to


def _wanted(archive):
    return [n for n in range(archive.segments.oldest, archive.segments.newest + 1) if archive.wanted(n)]


def test_only_what_the_outbox_lost_is_sent_and_all_of_an_earlier_start():
    flash = Flash()
    archive, outbox = _archive(flash, 7)
    archive.prepare()
    for i in range(8):
        _ten(archive, outbox, 10 * i)
    assert _wanted(archive) == [1, 2, 3, 4], "of the rest the outbox holds the readings"
    outbox.stored(75)  # the host counts what was dropped as gone, and has the rest
    assert _wanted(archive) == [1, 2, 3, 4]
    assert _settled(archive) == 0
    archive.acknowledge(1)
    archive.acknowledge(3)
    assert archive.done_to == 1, "in order"
    assert _wanted(archive) == [2, 4]
    assert _settled(archive) == 1
    archive.acknowledge(2)
    assert _settled(archive) == 3
    _ten(archive, outbox, 80)  # takes along what is done
    archive, outbox = _archive(flash, 8)
    assert archive.done_to == 3
    assert _wanted(archive) == [4, 5, 6, 7, 8, 9]
    values = ["mast"] + archive.values(9)
    assert line.decode(line.encode("summary", values)) == ("summary", values)
    names = [field[0] for field in fields_of("summary")]
    found = dict(zip(names, values))  # noqa: B905
    assert (found["boot"], found["sequence"], found["uptime_ms"], found["number"]) == (7, 90, 90000, 9)
    assert (found["readings"], found["battery_mv"], found["battery_ma"]) == (1, 12000, None)


def test_what_a_host_stored_in_time_is_never_sent():
    archive, outbox = _archive(Flash(), 7)
    archive.prepare()
    for i in range(30):
        _ten(archive, outbox, 10 * i)
        outbox.stored(outbox.sequence)
        assert _wanted(archive) == []
    assert _settled(archive) == 30


def test_what_is_overwritten_unsent_is_counted():
    flash = Flash(blocks=3)
    archive, outbox = _archive(flash, 7)
    archive.prepare()
    for i in range(4 * SLOTS):
        _ten(archive, outbox, 10 * i)
    assert archive.lost == archive.segments.oldest - 1 > SLOTS
    assert len(_record(1)) == RECORD


def test_acknowledging_what_was_not_sent_changes_nothing():
    archive, outbox = _archive(Flash(), 7)
    archive.prepare()
    for i in range(30):
        _ten(archive, outbox, 10 * i)
    for number in (0, -5, 1 << 28, 25):
        archive.acknowledge(number)
    assert _settled(archive) == 0
