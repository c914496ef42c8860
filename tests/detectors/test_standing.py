"""A bound is believed once it has stood: looks in doubt don't count, several on end begin anew."""

import pytest

from ullage.detectors.ending_bound import Bound
from ullage.detectors.production import Production
from ullage.detectors.proof import Proof
from ullage.detectors.standing import DOUBTS, FORGOTTEN_S, Standing

HOUR_S, LIMIT = 3600.0, 0.35


def bound(most_g_per_l: float) -> Bound:
    """Return a bound of a cycling valve's last twelve hours."""
    last = Production(
        rate_g_per_l_day=0.1, se_g_per_l_day=0.02, hours=12, start_s=0, end_s=12 * HOUR_S, residual_sd_bar=0
    )
    return Bound(production=last, most_g_per_l=most_g_per_l, tail_h=40, proof=Proof.CYCLE, measured=last)


def test_it_stands_since_the_first_look_below_the_limit() -> None:
    """A look that shows an end by a wider bound says less, and takes nothing back."""
    standing = Standing()
    assert not standing.look(0.0, bound(0.4), LIMIT)
    assert standing.since_s is None
    assert standing.look(HOUR_S, bound(0.3), LIMIT)
    assert not standing.look(2 * HOUR_S, bound(0.4), LIMIT)
    assert standing.since_s == HOUR_S


@pytest.mark.parametrize("doubts", range(1, DOUBTS + 1))
def test_hours_in_doubt_do_not_count(doubts: int) -> None:
    """Behind a cycling valve one or two stop the clock, three on end put it back to nothing."""
    standing = Standing()
    standing.look(0.0, bound(0.3), LIMIT)
    for _ in range(doubts):
        standing.doubt(Proof.CYCLE, HOUR_S)
    assert standing.since_s == (doubts * HOUR_S if doubts < DOUBTS else None)
    standing.look(9 * HOUR_S, bound(0.3), LIMIT)
    standing.doubt(Proof.CYCLE, HOUR_S)
    assert standing.since_s is not None


@pytest.mark.parametrize("proof", [Proof.SEALED, Proof.WORD, Proof.COOLED])
def test_elsewhere_one_doubt_is_enough(proof: Proof) -> None:
    """A vessel without teeth has no excuse for a look that shows no end."""
    standing = Standing()
    standing.look(0.0, bound(0.3), LIMIT)
    standing.doubt(proof, HOUR_S)
    assert standing.since_s is None


def test_it_is_forgotten_where_gas_may_leave_for_long() -> None:
    """Half a day after the last look."""
    standing = Standing(looked_s=0.0)
    standing.look(0.0, bound(0.3), LIMIT)
    standing.gas_may_leave(FORGOTTEN_S)
    assert standing.since_s == 0.0
    standing.gas_may_leave(FORGOTTEN_S + 1)
    assert standing.since_s is None
