"""What is kept and said of the tries to reach one target."""

import logging

import pytest

from ullage.daemon.clock import ManualClock
from ullage.daemon.delivery import Answer, Outcome, Reason
from ullage.daemon.tries import Tries

LATE = Answer(Outcome.TRY_AGAIN, Reason.TIMED_OUT, "no answer within 10 s")
BROKEN = Answer(Outcome.TRY_AGAIN, Reason.BROKEN, "ValueError")


def test_a_failure_that_repeats_itself_is_logged_once_and_so_is_its_end(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Anew when the reason changes, and after the end; the end says how many there were."""
    caplog.set_level(logging.INFO)
    tries = Tries("phone", ManualClock())
    for answer in (LATE, LATE, LATE, BROKEN):
        tries.failed(answer, 1.0)
    tries.taken(2)
    tries.taken(1)
    assert (tries.sent, tries.failures) == (3, 0)
    tries.failed(BROKEN, 1.0)
    said = [(record.message, record.__dict__.get("reason")) for record in caplog.records]
    assert said == [
        ("target does not take messages", Reason.TIMED_OUT.value),
        ("target does not take messages", Reason.BROKEN.value),
        ("target takes messages again", None),
        ("target does not take messages", Reason.BROKEN.value),
    ]
    assert caplog.records[2].__dict__["failures"] == 4


def test_after_a_failure_there_is_a_pause_and_what_is_urgent_ends_it() -> None:
    """By the monotonic clock: one that is set changes nothing."""
    clock = ManualClock()
    tries = Tries("phone", clock)
    assert tries.left_s == 0
    tries.failed(BROKEN, 30.0)
    clock.advance(10)
    clock.step(-3600)
    assert tries.left_s == pytest.approx(20.0)
    tries.at_once()
    assert tries.left_s == 0
    assert tries.failures == 1


def test_a_target_is_slow_while_its_last_answer_did_not_come() -> None:
    """Until another answer, of whatever kind, has come."""
    tries = Tries("phone", ManualClock())
    assert not tries.slow
    tries.failed(LATE, 1.0)
    assert tries.slow
    tries.failed(BROKEN, 1.0)
    assert not tries.slow
    tries.failed(LATE, 1.0)
    tries.taken(1)
    assert not tries.slow


def test_a_message_that_is_refused_delays_no_other(caplog: pytest.LogCaptureFixture) -> None:
    """It is said, and nothing else."""
    tries = Tries("phone", ManualClock())
    tries.refused(Answer(Outcome.GIVE_UP, Reason.BROKEN, "too long"))
    assert [record.message for record in caplog.records] == ["target does not take messages"]
    assert (tries.failures, tries.left_s) == (0, 0.0)
