"""The latch against a tiny model written from its description."""

from dataclasses import dataclass

from hypothesis import given
from hypothesis import strategies as st

from ullage.detectors.latch import Change, Latch


@dataclass
class Model:
    """Looks back over the whole history each time: true once beyond has held for the delay, undisturbed by doubt."""

    on_s: float
    off_s: float

    def states(self, told: list[tuple[float, str]]) -> list[bool]:
        """Return whether the condition holds after each sample."""
        active, result, since = False, [], 0
        for i, (now_s, _) in enumerate(told):
            wanted, against = ("back", "beyond") if active else ("beyond", "back")
            window = told[since : i + 1]
            last_against = max((k for k, (_, what) in enumerate(window) if what == against), default=-1)
            pending = [at_s for at_s, what in window[last_against + 1 :] if what == wanted]
            if window[-1][1] == wanted and now_s - pending[0] >= (self.off_s if active else self.on_s):
                active, since = not active, i + 1
            result.append(active)
        return result


@given(
    steps=st.lists(
        st.tuples(st.floats(0, 100), st.sampled_from(["beyond", "back", "between"])), min_size=1, max_size=60
    ),
    on_s=st.sampled_from([0.0, 50.0, 150.0]),
    off_s=st.sampled_from([0.0, 80.0]),
)
def test_latch_follows_the_model(steps: list[tuple[float, str]], on_s: float, off_s: float) -> None:
    """Raised and cleared as the model says, and told exactly when the state changes."""
    told, now_s = [], 0.0
    for step_s, what in steps:
        now_s += step_s
        told.append((now_s, what))
    latch = Latch(on_s, off_s)
    before = False
    for (at_s, what), wanted in zip(told, Model(on_s, off_s).states(told), strict=True):
        change = latch.feed(at_s, what == "beyond", what == "back")
        assert latch.active == wanted
        assert change is (Change.NONE if wanted == before else Change.RAISED if wanted else Change.CLEARED)
        before = wanted


def test_an_alarm_that_chatters_is_held() -> None:
    """Three times within a day: over only after half a day of calm; without that setting it is told each time."""

    def raises(chatter_off_s: float | None) -> int:
        latch = Latch(600.0, 600.0, chatter_off_s)
        changes = [
            latch.feed(t * 600.0, t % 12 < 6, t % 12 >= 6) for t in range(24 * 6)
        ]  # an hour beyond, an hour back
        return changes.count(Change.RAISED)

    assert raises(None) == 12
    assert raises(43_200.0) == 3
    latch = Latch(600.0, 600.0, 43_200.0)
    for t in range(30):
        latch.feed(t * 600.0, t % 12 < 6, t % 12 >= 6)
    assert latch.active
    calm = [latch.feed(t * 600.0, beyond=False, back=True) for t in range(30, 110)]
    assert calm.index(Change.CLEARED) == 72
    again = [latch.feed(86_400.0 * 2 + t * 600.0, beyond=t < 2, back=t >= 2) for t in range(4)]
    assert again == [Change.NONE, Change.RAISED, Change.NONE, Change.CLEARED]


def test_the_dead_band_keeps_what_is_pending() -> None:
    """Neither answer moves the latch; a dip back behind the dead-band starts the wait anew."""
    latch = Latch(100.0, 0.0)
    assert latch.feed(0.0, True, False) is Change.NONE
    assert latch.feed(60.0, False, False) is Change.NONE
    assert latch.feed(100.0, True, False) is Change.RAISED
    latch = Latch(100.0, 0.0)
    latch.feed(0.0, True, False)
    latch.feed(60.0, False, True)
    assert latch.feed(100.0, True, False) is Change.NONE
    assert latch.feed(200.0, True, False) is Change.RAISED
