"""How unevenly the dots stand, from the two halves of a row: against rings whose every dot is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from strobe.measuring.unevenness import USUAL_SHARE, RowParts, UnevenDots, uneven_dots
from strobe.pattern import RowSeries

DOTS, IN_VIEW, PARTS, RATE_HZ, TURN_HZ = 180, 26.0, 10, 30.0, 100 / 180
ORDERS = np.arange(2, 9)
USUAL = USUAL_SHARE * np.sqrt(2 / DOTS)

Array = NDArray[np.float64]


def random_ring(rng: np.random.Generator, share: float) -> NDArray[np.complex128]:
    """Orders 1 to 30 of a ring whose dots err independently by `share` of a gap: both quadratures of each."""
    quadrature = share * np.sqrt(2 / DOTS)
    return np.asarray(rng.normal(0, quadrature, 30) + 1j * rng.normal(0, quadrature, 30))


def view(
    ring: NDArray[np.complex128],
    *,
    seconds: float = 12.0,
    wobble_dots: float = 0.0,
    noise: float = 1e-4,
    in_view: float = IN_VIEW,
    seed: int = 9,
) -> tuple[RowSeries, Array]:
    """A row of that ring at a steady speed, and the dots that have passed.

    Each part shows the mean over its dots: order k less by ``sinc(k w / N)`` for a part w dots wide.
    """
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    passed = DOTS * TURN_HZ * time + wobble_dots * np.sin(2 * np.pi * 3.3 * time)
    order = np.arange(1, ring.size + 1)
    width = in_view / PARTS
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
        dots_in_view=in_view,
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


@pytest.mark.parametrize("in_view", [26.0, 40.0, 50.0])
def test_the_bound_holds_what_random_rings_feign(in_view: float) -> None:
    """40 rings of seven orders each, 95 % of them within the scatter of that count, 1.3 %.

    Of a wide row each half shows the mean over its own dots: of 40 in view 0.5 at eight times a turn.
    """
    held, widths = [], []
    for seed in range(40):
        row, passed = view(random_ring(np.random.default_rng(seed), 0.003), in_view=in_view)
        uneven = uneven_dots(row, passed, dots=DOTS)
        feigned = 100 * 2 * np.pi * ORDERS * np.abs(false_swings(row, passed)) / DOTS
        bounds = np.array([uneven.swing_percent(float(k)) for k in ORDERS])
        held.append(feigned < bounds)
        widths.append(uneven.others)
    assert np.mean(held) >= 0.95 - 2 * 0.013
    # One order's quadrature, and the scatter of a middle of seven squares: a third more, closed form.
    assert 1.0 < np.median(widths) / USUAL < 1.6


@pytest.mark.parametrize("noise", [3e-3, 1e-2])
def test_where_noise_hides_the_ring_it_is_never_taken_for_even(noise: float) -> None:
    """Noise of 1e-3 dots in the whole row and more, in 360 frames, shows as 1.5e-4 of an order: half the usual ring."""
    for seed in range(12):
        row, passed = view(np.zeros(30, complex), noise=noise, seed=seed)
        hides = 2 * noise / np.sqrt(PARTS) / np.sqrt(row.blocks.shape[0] / 2)
        uneven = uneven_dots(row, passed, dots=DOTS)
        # The noise itself is known from seven half orders: half of it at the least.
        assert uneven.others > 0.5 * min(USUAL, hides)
        assert np.all(uneven.told > 0.5 * min(USUAL, hides / 2))
        # And no more than noise and the usual make together.
        assert uneven.others < 3 * np.hypot(USUAL, hides)


@pytest.mark.parametrize("times", [3.0, 10.0])
def test_it_grows_with_the_ring(times: float) -> None:
    ring = random_ring(np.random.default_rng(1), 0.003)
    once, more = (uneven_dots(*view(share * ring, noise=1e-5), dots=DOTS).others for share in (1.0, times))
    assert more == pytest.approx(times * once, rel=0.05)


def test_a_wobble_is_no_unevenness() -> None:
    """Both halves see one speed, so it cancels; what is left is the noise of the halves."""
    ring = np.zeros(30, dtype=np.complex128)
    assert uneven_dots(*view(ring, wobble_dots=0.2), dots=DOTS).others < 0.1 * USUAL


def test_too_few_turns_take_the_usual_ring() -> None:
    ring = random_ring(np.random.default_rng(2), 0.02)
    found = uneven_dots(*view(ring, seconds=4.0), dots=DOTS)
    assert (found.others, found.told.size) == (pytest.approx(USUAL), 0)


def of_a_strip(step: float, *, parts: int, in_view: float = 14.0, seconds: float = 6.0) -> tuple[RowSeries, Array]:
    """A steady row of a strip whose joint is that much too wide, by its mean over the dots in view; frames lack."""
    row, passed = view(np.zeros(30, complex), seconds=seconds, in_view=in_view)
    across = (np.arange(60) + 0.5) / 60 * in_view
    seen = passed + step * ((passed[:, None] + across - 100.0) / DOTS % 1.0).mean(axis=1)
    kept = np.delete(np.arange(passed.size), [20, 21, 70])
    # A step in N dots leaves N + g of its pitches to a turn.
    return replace(row, blocks=row.blocks[kept, :parts]), (seen * DOTS / (DOTS + step))[kept]


@pytest.mark.parametrize("seconds", [2.8, 6.0])
@pytest.mark.parametrize("step", [0.1, -0.3])
def test_a_joint_that_few_parts_hide_has_room_in_the_course(step: float, seconds: float) -> None:
    row, passed = of_a_strip(step, parts=2, seconds=seconds)
    found = uneven_dots(row, passed, dots=DOTS)
    assert found.joint_dots == pytest.approx(abs(step), rel=0.15)
    # Closed form: 2 g / N of the speed at every multiple, what the row's dots leave of it.
    order = np.arange(1.0, 9.0)
    left = 200 * abs(step) / DOTS * np.abs(found.parts.seen(order))
    assert np.all(np.array([found.swing_percent(k) for k in order]) > 0.8 * left)


def test_where_the_parts_are_many_or_nothing_jumps_no_joint_widens_what_is_said() -> None:
    """A joint shows in many parts, and is gone by then; a wobble that is no step leaves little room for one."""
    row, passed = view(np.zeros(30, complex))
    step = 0.3 * (passed / DOTS % 1.0)
    assert uneven_dots(row, passed + step, dots=DOTS).joint_dots == 0
    row, passed = view(np.zeros(30, complex), wobble_dots=0.005, in_view=14.0)
    few = uneven_dots(replace(row, blocks=row.blocks[:, :2]), passed, dots=DOTS)
    # Closed form: the step that a wave as large at four times a turn makes up best, the slowest that is not taken off.
    order = np.arange(4, 90)
    waves = np.abs(np.sinc(order * 14.0 / DOTS)) / (np.pi * order)
    assert few.joint_dots < 0.005 * waves[0] / np.sum(waves**2) < 0.04


def whole_row(uneven: float, *, dots: int, in_view: float, parts: int = 1) -> UnevenDots:
    """A row whose dots all count alike, of a ring that errs by so many gaps at any order."""
    places = (np.arange(parts) + 0.5) * in_view / parts
    return UnevenDots(RowParts(dots, places, np.ones(parts), in_view / parts), np.empty(0), uneven)


def test_only_whole_multiples_are_feigned() -> None:
    # Closed form: an order k of e gaps shows as 2 pi k e / N of the speed; once a turn is the ring off centre instead.
    ring = whole_row(1e-3, dots=180, in_view=1e-3)
    assert ring.swing_percent(3.0) == pytest.approx(1.96 * 2 * np.pi * 3 * 1e-3 / 1.8)
    assert ring.swing_percent(3.02) > 0
    for per_revolution in (0.5, 1.0, 2.5, 3.1):
        assert ring.swing_percent(per_revolution) == 0


@pytest.mark.parametrize("parts", [1, 12])
def test_a_row_shows_the_mean_over_its_dots(parts: int) -> None:
    # Closed form: sinc(k d / N) over d dots, in however many parts they are read.
    ring = whole_row(1e-3, dots=180, in_view=40.0, parts=parts)
    for k in (2, 4, 7):
        bare = 1.96 * 2 * np.pi * k * 1e-3 / 1.8
        assert ring.swing_percent(float(k)) == pytest.approx(bare * abs(np.sinc(k * 40 / 180)), rel=1e-6)


def test_each_order_is_held_by_what_it_shows() -> None:
    """A ring that errs five times a turn alone: that order is told, and the others are not made wide by it."""
    ring = np.zeros(30, complex)
    ring[4] = 5e-3
    found = uneven_dots(*view(ring), dots=DOTS)
    assert found.told[3] == pytest.approx(5e-3 / np.sqrt(2), rel=0.1)
    assert max(np.delete(found.told, 3)) < 0.2 * found.told[3]
    assert found.others < 0.2 * found.told[3]


@pytest.mark.parametrize(("in_view", "real_percent"), [(6.0, 0.08), (6.0, 0.0), (24.0, 0.08)])
def test_what_uneven_dots_add_to_a_mean_square_lies_inside(in_view: float, real_percent: float) -> None:
    """Rings of 92 dots that err by chance, beside a real wobble twice a turn: 95 % of 400, within its scatter of 1.1 %.

    The wobble is what was read, false swing and all.
    """
    rng = np.random.default_rng(11)
    dots, uneven, orders = 92, 4e-4, np.arange(2, 11)
    seen = np.sinc(orders * in_view / dots)
    ring = whole_row(uneven, dots=dots, in_view=in_view)
    inside = 0
    for _ in range(400):
        false = 100 * 2 * np.pi * orders * seen / dots * rng.normal(0, uneven, (2, orders.size))
        read = np.hypot(false[0] + real_percent * (orders == 2), false[1])
        wrong = abs(float(np.sum(read**2)) - real_percent**2) / 2
        inside += wrong < ring.mean_square(np.where(orders == 2, read, 0.0), np.ones(9))
    assert inside > 0.92 * 400
    assert whole_row(uneven, dots=dots, in_view=92.0).mean_square(np.zeros(9), np.ones(9)) < 1e-3


def test_a_joint_adds_the_mean_square_of_its_waves() -> None:
    """Nine waves of 2 g / N each, beside nothing and beside a real wobble that they stand in or against."""
    dots, step = 180, 0.2
    peak = 200 * step / dots
    parts = RowParts(dots, np.zeros(1), np.ones(1), 0.0)
    ring = UnevenDots(parts, np.empty(0), 0.0, step)
    assert ring.mean_square(np.zeros(9), np.ones(9)) == pytest.approx(9 * peak**2 / 2)
    beside = np.where(np.arange(9) == 3, 0.1, 0.0)
    assert ring.mean_square(beside, np.ones(9)) == pytest.approx(9 * peak**2 / 2 + 0.1 * peak)
    assert ring.swing_percent(1.0) == pytest.approx(peak)
