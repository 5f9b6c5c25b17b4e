"""One sensor's faults distinguished, each with its delay, and the way back."""

from core.channel import NOTHING, Channel
from groundbox.wire.messages import SENSOR_STATES, UNKNOWN

OK = SENSOR_STATES.index("ok")
OPEN = SENSOR_STATES.index("open")
SHORTED = SENSOR_STATES.index("shorted")
RANGE = SENSOR_STATES.index("range")


def state(channel, code, value=2500, seconds=1):
    for _ in range(seconds):
        channel.step(1000, code, value)
    return SENSOR_STATES[channel.state]


def still(channel, raw, rival, seconds, limit_s=300, move=300):
    for _ in range(seconds):
        frozen = channel.frozen(1000, raw, rival, move, limit_s * 1000)
    return frozen


def test_a_good_sensor():
    channel = Channel()
    assert channel.value == UNKNOWN
    assert state(channel, OK, 2512, 100) == "ok"
    assert (channel.value, channel.age_ms) == (2512, 0)


def test_one_bad_second_is_ridden_through_on_the_last_value():
    channel = Channel()
    state(channel, OK, 2512)
    assert state(channel, OPEN, UNKNOWN) == "ok"
    assert (channel.value, channel.age_ms) == (2512, 1000)
    assert state(channel, OK, 2513) == "ok"
    assert (channel.value, channel.age_ms) == (2513, 0)


def test_two_bad_seconds_are_a_fault_and_no_value():
    for code in (OPEN, SHORTED, RANGE):
        channel = Channel()
        state(channel, OK, 2512)
        assert state(channel, code, UNKNOWN, 2) == SENSOR_STATES[code]
        assert channel.value == UNKNOWN
        assert channel.age_ms == 2000


def test_a_fault_that_changes_its_kind_is_reported_at_once():
    channel = Channel()
    state(channel, OPEN, UNKNOWN, 2)
    assert state(channel, SHORTED, UNKNOWN) == "shorted"


def test_silent_after_five_seconds():
    channel = Channel()
    state(channel, OK, 2512)
    assert state(channel, NOTHING, UNKNOWN, 4) == "ok"
    assert (channel.value, channel.age_ms) == (2512, 4000)
    assert state(channel, NOTHING, UNKNOWN) == "silent"
    assert channel.value == UNKNOWN


def test_never_heard_of_is_silent_too():
    assert state(Channel(), NOTHING, UNKNOWN, 5) == "silent"


def test_a_slow_sensor_with_pauses_is_not_silent():
    channel = Channel()
    for _ in range(100):
        assert state(channel, OK) == "ok"
        assert state(channel, NOTHING, UNKNOWN, 3) == "ok"


def test_a_bad_answer_counts_until_the_next():
    channel = Channel()
    state(channel, OK)
    state(channel, SHORTED, UNKNOWN)
    assert state(channel, NOTHING, UNKNOWN) == "shorted"


def test_back_after_three_good_seconds_in_a_row():
    channel = Channel()
    state(channel, OPEN, UNKNOWN, 10)
    assert state(channel, OK, 2500, 2) == "open"
    assert state(channel, OPEN, UNKNOWN) == "open"
    assert state(channel, OK, 2500, 2) == "open"
    assert channel.value == UNKNOWN
    assert channel.age_ms >= 10000
    assert state(channel, OK, 2600) == "ok"
    assert (channel.value, channel.age_ms) == (2600, 0)
    channel = Channel()
    state(channel, NOTHING, UNKNOWN, 60)
    assert state(channel, OK, 2500, 2) == "silent"
    assert state(channel, OK, 2500) == "ok"


def test_standing_still_alone_is_honest():
    assert not still(Channel(), 26000, 2500, 100000)
    assert not still(Channel(), 26000, UNKNOWN, 100000)


def test_standing_still_while_its_rival_moves_is_frozen():
    channel = Channel()
    assert not still(channel, 26000, 2500, 1000)
    assert not still(channel, 26000, 2799, 1000)
    assert not still(channel, 26000, 2800, 299)
    assert still(channel, 26000, 2800, 1)
    assert still(channel, 26000, 2500, 1)  # the rival's return proves nothing
    assert not still(channel, 26001, 2500, 1)


def test_a_single_count_of_noise_is_life():
    channel = Channel()
    for i in range(1000):
        assert not still(channel, 26000 + (i & 1), 2500 + i, 1)
    for i in range(1000):
        assert not still(channel, UNKNOWN, 2500 + i, 1)


def test_a_rival_that_is_not_known_yet_is_waited_for():
    channel = Channel()
    still(channel, 26000, UNKNOWN, 10)
    assert not still(channel, 26000, 5000, 1000)
    assert still(channel, 26000, 5300, 300)


def test_age_has_a_top():
    channel = Channel()
    state(channel, NOTHING, UNKNOWN, 10000)
    assert channel.age_ms <= 61000
