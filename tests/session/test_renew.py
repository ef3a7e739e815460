"""The listener that goes on after a pause or a lost device: what it keeps, and what it must not."""

import pytest

from drilltimer.hear.decide import Hypothesis
from drilltimer.hear.listen import Listener
from drilltimer.session.layout import renewed

RATE_HZ = 48_000


@pytest.fixture
def listener():
    """It knows the latency of two channels, and a landing on each."""
    listener = Listener(RATE_HZ, 2, known_lag_s=0.1)
    for ear in listener.ears:
        ear.memory.learn(0, Hypothesis(True))
    return listener


@pytest.mark.parametrize(("lost", "lag"), [(False, pytest.approx(0.1 * RATE_HZ)), (True, None)])
def test_a_stream_that_was_lost_takes_its_latency_along_and_a_pause_does_not(listener, lost, lag):
    again = renewed(listener, RATE_HZ, lost)
    assert again is not listener
    assert [ear.line.lag(RATE_HZ) for ear in again.ears] == [lag, lag]
    assert all(list(ear.memory.landings_by_rep()) == [0] for ear in again.ears)
