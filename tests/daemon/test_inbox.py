"""The bounded queue in front of the pipeline."""

import threading

from ullage.daemon.inbox import Inbox


def test_everything_that_waits_is_taken_at_once_in_order() -> None:
    """Ten items put one by one come out as one batch."""
    inbox: Inbox[int] = Inbox(100)
    for number in range(10):
        assert inbox.put(number)
    assert inbox.take(100, 0) == list(range(10))


def test_no_more_is_taken_than_asked_for() -> None:
    """A flood is cut into turns and keeps its order."""
    inbox: Inbox[int] = Inbox(100)
    for number in range(10):
        inbox.put(number)
    assert inbox.take(4, 0) == [0, 1, 2, 3]
    assert inbox.take(100, 0) == [4, 5, 6, 7, 8, 9]


def test_a_full_inbox_makes_the_giver_wait_and_loses_nothing() -> None:
    """Two givers push ten times the limit through while one taker drains."""
    inbox: Inbox[int] = Inbox(5)
    givers = [threading.Thread(target=lambda: [inbox.put(n) for n in range(25)]) for _ in range(2)]
    for giver in givers:
        giver.start()
    taken: list[int] = []
    while len(taken) < 50:
        batch = inbox.take(3, 5)
        assert batch, "nothing came for five seconds"
        taken += batch
    for giver in givers:
        giver.join(5)
    assert sorted(taken) == sorted([*range(25), *range(25)])
    assert inbox.full_waits > 0


def test_heavy_items_fill_it_sooner() -> None:
    """Deliveries of hundreds of lines are bounded by their lines, not by their number."""
    inbox: Inbox[int] = Inbox(1000, weigh=lambda item: item)
    assert inbox.put(600)
    assert inbox.put(600)
    assert not inbox.put(1, timeout_s=0.01)
    assert inbox.take(1, 0) == [600]
    assert inbox.put(300)
    assert inbox.take(10, 0) == [600, 300]
    assert inbox.put(999)


def test_closing_wakes_a_waiting_giver_and_says_no() -> None:
    """A source that waits for room learns that the pipeline has gone."""
    inbox: Inbox[int] = Inbox(1)
    inbox.put(1)
    answers: list[bool] = []
    giver = threading.Thread(target=lambda: answers.append(inbox.put(2)))
    giver.start()
    while not inbox.full_waits:
        pass
    inbox.close()
    giver.join(5)
    assert answers == [False]
    assert inbox.take(10, 0) == [1]
