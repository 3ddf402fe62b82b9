"""How unevenly the dots stand, from the two halves of a row: against rings whose every dot is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from strobe.measuring.unevenness import USUAL_SHARE, false_mean_square, false_swing_percent, uneven_dots
from strobe.pattern import RowSeries

DOTS, IN_VIEW, PARTS, RATE_HZ, TURN_HZ = 180, 26.0, 10, 30.0, 100 / 180
ORDERS = np.arange(2, 9)

Array = NDArray[np.float64]


def random_ring(rng: np.random.Generator, share: float) -> NDArray[np.complex128]:
    """Orders 1 to 30 of a ring whose dots err independently by `share` of a gap: both quadratures of each."""
    quadrature = share * np.sqrt(2 / DOTS)
    return np.asarray(rng.normal(0, quadrature, 30) + 1j * rng.normal(0, quadrature, 30))


def view(
    ring: NDArray[np.complex128], *, seconds: float = 12.0, wobble_dots: float = 0.0, noise: float = 1e-4
) -> tuple[RowSeries, Array]:
    """A row of that ring at a steady speed, and the dots that have passed.

    Each part shows the mean over its dots: order k less by ``sinc(k w / N)`` for a part w dots wide.
    """
    rng = np.random.default_rng(9)
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    passed = DOTS * TURN_HZ * time + wobble_dots * np.sin(2 * np.pi * 3.3 * time)
    order = np.arange(1, ring.size + 1)
    width = IN_VIEW / PARTS
    places = (np.arange(PARTS) + 0.5) * width
    seen = ring * np.sinc(order * width / DOTS)
    turn = (passed[:, None] + places) / DOTS
    error = (np.exp(2j * np.pi * turn[..., None] * order) * seen).sum(axis=-1).real
    phase = 2 * np.pi * (passed[:, None] + error + rng.normal(0, noise, error.shape))
    row = RowSeries(
        height=0.5,
        sweep_place=0.5,
        slope=0.0,
        pitch_px=20.0,
        mean_pitch_px=20.0,
        dots_in_view=IN_VIEW,
        crowding=None,
        contrast=0.5,
        amplitude=50.0,
        blocks=(50 * np.exp(1j * phase)).astype(np.complex64),
    )
    return row, passed


def false_swings(row: RowSeries, passed: Array) -> Array:
    """In-phase part of what the whole row shows at each order, dots."""
    error = np.angle(row.blocks.astype(np.complex128).sum(axis=1) * np.exp(-2j * np.pi * passed)) / (2 * np.pi)
    wave = 2 * np.pi * np.outer(passed / DOTS, np.arange(1, 31))
    design = np.hstack([np.ones((error.size, 1)), np.cos(wave), np.sin(wave)])
    return np.asarray(np.linalg.lstsq(design, error, rcond=None)[0][1:31][ORDERS - 1])


def test_the_bound_holds_what_random_rings_feign() -> None:
    """40 rings of seven orders each. A bound that is itself estimated from seven orders holds at least nine in ten."""
    held, widths = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        row, passed = view(random_ring(rng, 0.003))
        uneven = uneven_dots(row, passed, dots=DOTS)
        feigned = 100 * 2 * np.pi * ORDERS * np.abs(false_swings(row, passed)) / DOTS
        bounds = np.array([false_swing_percent(uneven, per_revolution=float(k), dots=DOTS) for k in ORDERS])
        held.append(feigned < bounds)
        widths.append(uneven)
    assert np.mean(held) >= 0.9
    # And it is no wider than the ring deserves: the quadrature of one order, within the scatter of seven.
    assert np.median(widths) == pytest.approx(0.003 * np.sqrt(2 / DOTS), rel=0.35)


@pytest.mark.parametrize("times", [3.0, 10.0])
def test_it_grows_with_the_ring(times: float) -> None:
    ring = random_ring(np.random.default_rng(1), 0.003)
    once, more = (uneven_dots(*view(share * ring, noise=1e-5), dots=DOTS) for share in (1.0, times))
    assert more == pytest.approx(times * once, rel=0.05)


def test_a_wobble_is_no_unevenness() -> None:
    """Both halves see one speed, so it cancels; what is left is the noise of the halves."""
    ring = np.zeros(30, dtype=np.complex128)
    assert uneven_dots(*view(ring, wobble_dots=0.2), dots=DOTS) < 0.1 * USUAL_SHARE * np.sqrt(2 / DOTS)


def test_too_few_turns_take_the_usual_ring() -> None:
    ring = random_ring(np.random.default_rng(2), 0.02)
    assert uneven_dots(*view(ring, seconds=4.0), dots=DOTS) == pytest.approx(USUAL_SHARE * np.sqrt(2 / DOTS))


def test_only_whole_multiples_are_feigned() -> None:
    # Closed form: an order k of e gaps shows as 2 pi k e / N of the speed; once a turn is the ring off centre instead.
    assert false_swing_percent(1e-3, per_revolution=3.0, dots=180) == pytest.approx(1.96 * 2 * np.pi * 3 * 1e-3 / 1.8)
    assert false_swing_percent(1e-3, per_revolution=3.02, dots=180) > 0
    for per_revolution in (0.5, 1.0, 2.5, 3.1):
        assert false_swing_percent(1e-3, per_revolution=per_revolution, dots=180) == 0


@pytest.mark.parametrize(("dots_in_view", "real_percent"), [(10.0, 0.08), (10.0, 0.0), (40.0, 0.08)])
def test_what_uneven_dots_add_to_a_mean_square_lies_inside(dots_in_view: float, real_percent: float) -> None:
    """Rings of 92 dots that err by chance, beside a real wobble twice a turn: 95 % of 400, within its scatter of 1.1 %.

    The wobble is what was read, false swing and all.
    """
    rng = np.random.default_rng(11)
    dots, uneven, orders = 92, 4e-4, np.arange(2, 11)
    seen = np.sinc(orders * 0.6 * dots_in_view / dots)
    inside = 0
    for _ in range(400):
        false = 100 * 2 * np.pi * orders * seen / dots * rng.normal(0, uneven, (2, orders.size))
        read = np.hypot(false[0] + real_percent * (orders == 2), false[1])
        wrong = abs(float(np.sum(read**2)) - real_percent**2) / 2
        shown = np.where(orders == 2, read, 0.0)
        inside += wrong < false_mean_square(uneven, shown, np.ones(9), dots=dots, dots_in_view=dots_in_view)
    assert inside > 0.92 * 400
    assert false_mean_square(uneven, np.zeros(9), np.ones(9), dots=dots, dots_in_view=92.0) < 1e-3
