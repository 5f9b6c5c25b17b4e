"""Sealed commands: only what was sealed with the key, for the box, counts."""

from binascii import hexlify

from groundbox.wire import auth, line

KEY = bytes(range(32))
LINE = line.encode("mark", ["mast", 7, "launch"])


def test_hmac_gives_the_published_tags():
    """RFC 4231, test cases 1, 2 and 6."""
    cases = (
        (b"\x0b" * 20, b"Hi There", b"b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
        (b"Jefe", b"what do ya want for nothing?", b"5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
        (
            b"\xaa" * 131,
            b"Test Using Larger Than Block-Size Key - Hash Key First",
            b"60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
        ),
    )
    for key, text, tag in cases:
        assert hexlify(auth.hmac_sha256(key, text)) == tag


def test_what_was_sealed_opens():
    for counter in (0, 1, 1 << 32, auth.MAX_COUNTER):
        assert auth.unseal(KEY, "mast", auth.seal(KEY, "mast", counter, LINE)) == (b"%016X" % counter, LINE)


def test_another_key_box_or_counter_does_not():
    sealed = auth.seal(KEY, "mast", 5, LINE)
    assert auth.unseal(KEY[1:] + b"x", "mast", sealed) is None
    assert auth.unseal(KEY, "table", sealed) is None
    assert auth.unseal(KEY, "mast", b"%016X" % 6 + sealed[16:]) is None
    assert auth.unseal(KEY, "mast", sealed + b"x") is None


def test_digits_compare_like_their_numbers():
    numbers = [0, 9, 10, 15, 16, 1 << 31, (1 << 32) - 1, 1 << 32, 1 << 63, auth.MAX_COUNTER]
    digits = [b"%016X" % number for number in numbers]
    assert sorted(digits) == digits


def test_no_damage_is_let_through():
    """Every bit of a sealed command turned, and every length cut."""
    sealed = auth.seal(KEY, "mast", 5, LINE)
    for i in range(8 * len(sealed)):
        bad = bytearray(sealed)
        bad[i // 8] ^= 1 << i % 8
        assert auth.unseal(KEY, "mast", bytes(bad)) is None
    for length in range(len(sealed)):
        assert auth.unseal(KEY, "mast", sealed[:length]) is None


def test_a_counter_of_other_characters_than_hexadecimal_digits_is_refused():
    for digits in (b"000000000000000G", b"000000000000000@", b"000000000000000:", b"000000000000000/"):
        sealed = digits + hexlify(auth._tag(KEY, "mast", digits, LINE)) + LINE
        assert auth.unseal(KEY, "mast", sealed) is None, digits
    for digits in (b"000000000000000F", b"000000000000000A", b"0000000000000009", b"0000000000000000"):
        sealed = digits + hexlify(auth._tag(KEY, "mast", digits, LINE)) + LINE
        assert auth.unseal(KEY, "mast", sealed) == (digits, LINE)
