"""Packets of MQTT 3.1.1: as the standard has them, whatever the pieces they come in; nothing breaks the parser."""

from uplinks import mqtt_packets


def _fed(data, size=64, piece=1):
    """Packets found in `data`, given in pieces."""
    found = []
    into = mqtt_packets.PacketReader(size)
    at = 0
    while at < len(data):
        room = into.room()
        count = min(piece, len(room), len(data) - at)
        assert count, "the buffer must never be full for good"
        room[:count] = data[at : at + count]
        into.took(count)
        at += count
        packet = into.next()
        while packet is not None:
            found.append(packet)
            packet = into.next()
    return found


def test_packets_as_in_the_standard():
    """Bytes written out by hand from the standard's tables of each packet (sections 3.1, 3.3, 3.4, 3.8, 3.12, 3.14)."""
    out = mqtt_packets.PacketWriter(256)
    assert bytes(out.connect(b"mast", b"u", b"pw", b"t", b"w", 30)) == (
        b"\x10\x1d\x00\x04MQTT\x04\xee\x00\x1e\x00\x04mast\x00\x01t\x00\x01w\x00\x01u\x00\x02pw"
    )
    assert bytes(out.connect(b"m", None, None, b"t", b"w", 300))[9:12] == b"\x2e\x01\x2c"
    assert bytes(out.subscribe(b"a/b", 10)) == b"\x82\x08\x00\x0a\x00\x03a/b\x01"
    out.begin_publish(b"a/b", 10)
    out.put(b"hello")
    assert bytes(out.finish_publish(True)) == b"\x33\x0c\x00\x03a/b\x00\x0ahello"
    assert bytes(out.puback(0x1234)) == b"\x40\x02\x12\x34"
    assert bytes(out.short(0xC0)) == b"\xc0\x00"
    assert bytes(out.short(0xE0)) == b"\xe0\x00"


def test_lengths_of_one_and_two_digits():
    out = mqtt_packets.PacketWriter(400)
    for length, head in ((127, b"\x10\x7f"), (128, b"\x10\x80\x01"), (321, b"\x10\xc1\x02")):
        out.begin()
        out.put(bytes(length))
        assert bytes(out.finish(0x10)) == head + bytes(length)


def test_a_packet_too_long_is_refused_and_the_next_is_whole():
    out = mqtt_packets.PacketWriter(40)
    out.begin_publish(b"topic", 1)
    try:
        out.put(bytes(100))
        raise AssertionError
    except ValueError:
        pass
    assert bytes(out.puback(7)) == b"\x40\x02\x00\x07"


def test_whatever_the_pieces():
    data = b"\x20\x02\x00\x00\x32\x0c\x00\x03a/b\x00\x0ahello\xd0\x00\x40\x02\x00\x07"
    wanted = [(0x20, b"\0\0"), (0x32, b"\x00\x03a/b\x00\x0ahello"), (0xD0, b""), (0x40, b"\x00\x07")]
    for piece in (1, 2, 3, 5, 64):
        assert _fed(data, piece=piece) == wanted
    assert mqtt_packets.message_of(0x32, wanted[1][1]) == (b"a/b", 10, b"hello")
    assert mqtt_packets.message_of(0x30, b"\x00\x03a/bhello") == (b"a/b", 0, b"hello")


def test_an_overlong_packet_is_passed_over():
    long = b"\x30\xe8\x07" + bytes(1000)
    assert _fed(b"\xd0\x00" + long + b"\xd0\x00", piece=7) == [(0xD0, b"")] * 2


def test_random_bytes_end_in_packets_or_an_error():
    state = 1
    for round_ in range(300):
        data = bytearray()
        for _ in range(round_ % 90):
            state = (state * 1103515245 + 12345) & 0x7FFFFFFF
            data.append(state >> 16 & 255)
        try:
            for first, body in _fed(bytes(data), piece=9):
                if first & 0xF0 == mqtt_packets.PUBLISH:
                    topic, number, payload = mqtt_packets.message_of(first, body)
                    assert len(topic) + len(payload) <= len(body)
                    assert 0 <= number < 65536
        except ValueError:
            pass
