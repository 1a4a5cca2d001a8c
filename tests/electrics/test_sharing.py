"""
Current sharing: closed forms against hand-worked circuits, scipy's stiff integrator and a plain nodal solve.

M-numbers are our own numbering of checks. All of them are self-checks (no published
number was reachable), so every form also has a referee here that does not share its derivation.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from hotchpot.electrics import sharing
from hotchpot.errors import InputError

VOLTS = st.floats(1, 60)
OHMS = st.floats(1e-4, 0.1)
AMPS = st.floats(-200, 200)


# ---------------------------------------------------------------- M12: the first instant


def test_joining_at_rest() -> None:
    """M12, self-check: 12.7 V behind 5 mΩ joined to 12.2 V behind 20 mΩ: 20.0 A, bars at 12.600 V (Millman)."""
    got = sharing.two_branch_currents(12.7, 0.005, 12.2, 0.020)
    assert (got.i1_a, got.i2_a, got.bus_v) == pytest.approx((20.0, -20.0, 12.600))


def test_joining_under_load() -> None:
    """M12, self-check: with 50 A drawn 60.0 A and -10.0 A at 12.400 V; the low battery is still being charged."""
    got = sharing.two_branch_currents(12.7, 0.005, 12.2, 0.020, 50)
    assert (got.i1_a, got.i2_a, got.bus_v) == pytest.approx((60.0, -10.0, 12.400))


@given(VOLTS, OHMS, VOLTS, OHMS, AMPS)
def test_two_branches_obey_the_circuit_laws(e1: float, r1: float, e2: float, r2: float, load: float) -> None:
    """Currents sum to the load and both branches stand at the same bars (Kirchhoff)."""
    got = sharing.two_branch_currents(e1, r1, e2, r2, load)
    scale = abs(e1) + abs(e2)
    assert got.i1_a + got.i2_a == pytest.approx(load, rel=1e-9, abs=1e-9 * scale / (r1 + r2))
    assert e1 - got.i1_a * r1 == pytest.approx(got.bus_v, abs=1e-9 * scale)
    assert e2 - got.i2_a * r2 == pytest.approx(got.bus_v, abs=1e-6 * scale)


@given(VOLTS, OHMS, VOLTS, OHMS, AMPS)
def test_order_of_branches_changes_nothing(e1: float, r1: float, e2: float, r2: float, load: float) -> None:
    """Swapping the branches swaps their currents and leaves the bars alone."""
    one, two = sharing.two_branch_currents(e1, r1, e2, r2, load), sharing.two_branch_currents(e2, r2, e1, r1, load)
    size = (e1 + e2) / (r1 + r2) + abs(load)
    assert (one.i1_a, one.i2_a) == pytest.approx((two.i2_a, two.i1_a), rel=1e-9, abs=1e-9 * size)
    assert one.bus_v == pytest.approx(two.bus_v, rel=1e-9, abs=1e-9 * size * (r1 + r2))


@given(VOLTS, OHMS, VOLTS, OHMS, st.floats(1e-5, 0.1))
def test_a_link_never_raises_the_surge(e1: float, r1: float, e2: float, r2: float, link: float) -> None:
    """Adding a link to a branch never raises the joining current at rest."""
    bare = sharing.two_branch_currents(e1, r1, e2, r2)
    linked = sharing.two_branch_currents(e1, r1 + link, e2, r2)
    assert abs(linked.i1_a) <= abs(bare.i1_a)


# ---------------------------------------------------------------- M10, M11: how the share drifts


def drift(t_s: float, r: tuple[float, float], q: tuple[float, float], load: float = 30.0) -> sharing.Drift:
    """Return the rows' two-branch case: equal start, 1.2 V of voltage from empty to full."""
    return sharing.two_branch_share_at(
        t_s, load_a=load, r1_ohm=r[0], r2_ohm=r[1], q1_ah=q[0], q2_ah=q[1], slope1_v=1.2, slope2_v=1.2
    )


def test_matched_products_do_not_drift() -> None:
    """M10, self-check: 10 mΩ 100 Ah beside 20 mΩ 50 Ah share 30 A as 20 and 10 A from start to end."""
    for t_s in (0, 1000, 1e6):
        got = drift(t_s, (0.010, 0.020), (100, 50))
        assert (got.i1_first_a, got.i1_a, got.i1_last_a) == pytest.approx((20, 20, 20))
        assert got.i2_a == pytest.approx(10)


def test_unlike_resistances_drift_to_capacity() -> None:
    """M11, self-check: 10 and 15 mΩ, both 100 Ah: 18.0 A at first, 15.0 A in the end, τ 3750 s, 16.149 A after 1 h."""
    got = drift(3600, (0.010, 0.015), (100, 100))
    assert got.i1_first_a == pytest.approx(18.0)
    assert got.i1_last_a == pytest.approx(15.0)
    assert got.tau_s == pytest.approx(3750)
    assert got.i1_a == pytest.approx(16.149, abs=5e-4)


def integrated(t_s: float, case: dict[str, float]) -> float:
    """Return the first branch's current after `t_s`, from integrating both states of charge with Radau's method."""

    def first_a(soc: NDArray[np.float64]) -> float:
        e1 = case["ocv1_v"] + case["slope1_v"] * soc[0]
        e2 = case["ocv2_v"] + case["slope2_v"] * soc[1]
        g1, g2 = 1 / case["r1_ohm"], 1 / case["r2_ohm"]
        bus_v = (e1 * g1 + e2 * g2 - case["load_a"]) / (g1 + g2)
        return float((e1 - bus_v) * g1)

    def slopes(_: float, soc: NDArray[np.float64]) -> list[float]:
        i1 = first_a(soc)
        return [-i1 / case["q1_ah"] / 3600, -(case["load_a"] - i1) / case["q2_ah"] / 3600]

    run = solve_ivp(slopes, (0, t_s), [0.0, 0.0], method="Radau", rtol=1e-9, atol=1e-12)
    assert run.success
    return first_a(run.y[:, -1])


M11 = {
    "load_a": 30.0,
    "r1_ohm": 0.010,
    "r2_ohm": 0.015,
    "q1_ah": 100.0,
    "q2_ah": 100.0,
    "slope1_v": 1.2,
    "slope2_v": 1.2,
    "ocv1_v": 12.6,
    "ocv2_v": 12.6,
}
UNLIKE = M11 | {"r2_ohm": 0.042, "q2_ah": 37.0, "slope1_v": 0.9, "slope2_v": 1.6, "ocv2_v": 12.3}


@pytest.mark.parametrize("case", [M11, UNLIKE, UNLIKE | {"load_a": 0.0}, UNLIKE | {"slope2_v": 0.0}])
@pytest.mark.parametrize("t_s", [1.0, 600.0, 3600.0, 20000.0])
def test_drift_against_a_stiff_integrator(case: dict[str, float], t_s: float) -> None:
    """M11: scipy's Radau integration of the same circuit agrees within 1e-6 A, also for unlike slopes and at rest."""
    assert sharing.two_branch_share_at(t_s, **case).i1_a == pytest.approx(integrated(t_s, case), abs=1e-6)


def test_flat_curves_keep_the_first_share() -> None:
    """On two flat plateaus nothing drives the share: it stays what the resistances made it."""
    got = sharing.two_branch_share_at(1e5, **(M11 | {"slope1_v": 0.0, "slope2_v": 0.0}))
    assert math.isinf(got.tau_s)
    assert (got.i1_first_a, got.i1_a, got.i1_last_a) == pytest.approx((18, 18, 18))


def test_charge_moved_at_rest_levels_the_voltages() -> None:
    """Joined at rest, the charge that moves is ΔOCV/(s1/Q1+s2/Q2), and the current dies away (worked by hand)."""
    case = UNLIKE | {"load_a": 0.0}
    start = sharing.two_branch_share_at(0, **case)
    moved_ah = start.i1_first_a * start.tau_s / 3600  # area under a dying exponential
    assert moved_ah == pytest.approx(0.3 / (0.9 / 100 + 1.6 / 37))
    assert start.i1_last_a == 0
    assert sharing.two_branch_share_at(10 * start.tau_s, **case).i1_a == pytest.approx(0, abs=1e-3)


@given(st.tuples(OHMS, OHMS), st.tuples(st.floats(1, 500), st.floats(1, 500)), st.floats(0, 1e6), AMPS)
def test_drift_sums_to_the_load_and_stays_between(
    r: tuple[float, float], q: tuple[float, float], t_s: float, load: float
) -> None:
    """At every moment the two currents sum to the load, and the share lies between its first and its last."""
    got = drift(t_s, r, q, load)
    assert got.i1_a + got.i2_a == pytest.approx(load, rel=1e-12, abs=1e-12)
    low, high = sorted((got.i1_first_a, got.i1_last_a))
    assert low - 1e-9 <= got.i1_a <= high + 1e-9


# ---------------------------------------------------------------- M16: the ladder


def nodal(n: int, r_battery: float, r_link: float, takeoff: str) -> NDArray[np.float64]:
    """Return the ladder's shares from a plain nodal solve over its 2n bar nodes: one amp drawn, one ground."""
    plus, minus = list(range(n)), list(range(n, 2 * n))
    g = np.zeros((2 * n, 2 * n))
    rhs = np.zeros(2 * n)

    def join(a: int, b: int, ohm: float) -> None:
        g[[a, b], [a, b]] += 1 / ohm
        g[[a, b], [b, a]] -= 1 / ohm

    for k in range(n):
        join(plus[k], minus[k], r_battery)  # a unit as current source E/R beside its resistance, E = 1 V
        rhs[plus[k]] += 1 / r_battery
        rhs[minus[k]] -= 1 / r_battery
    for k in range(n - 1):
        join(plus[k], plus[k + 1], r_link)
        join(minus[k], minus[k + 1], r_link)
    rhs[plus[0]] -= 1.0
    rhs[minus[n - 1 if takeoff == "diagonal" else 0]] += 1.0
    keep = [node for node in range(2 * n) if node != minus[0]]
    v = np.zeros(2 * n)
    v[keep] = np.linalg.solve(g[np.ix_(keep, keep)], rhs[keep])
    return (1.0 - (v[plus] - v[minus])) / r_battery


@pytest.mark.parametrize(("takeoff", "percent"), [("same_end", (51, 26, 14, 9)), ("diagonal", (30, 20, 20, 30))])
def test_four_units_in_a_chain(takeoff: sharing.Takeoff, percent: tuple[int, ...]) -> None:
    """Self-check: 2 mΩ units with 0.5 mΩ links a side share 51/26/14/9 % at one end and 30/20/20/30 % diagonally."""
    shares = sharing.ladder_shares(4, 2e-3, 0.5e-3, takeoff)
    assert tuple(round(100 * share) for share in shares) == percent


def test_four_units_exactly() -> None:
    """The same ladder by hand in fractions: 43, 22, 12 and 8 of 85 at one end; 3, 2, 2 and 3 of 10 diagonally."""
    same = sharing.ladder_shares(4, 2e-3, 0.5e-3, "same_end")
    assert same == pytest.approx((43 / 85, 22 / 85, 12 / 85, 8 / 85), abs=1e-14)
    assert sharing.ladder_shares(4, 2e-3, 0.5e-3, "diagonal") == pytest.approx((0.3, 0.2, 0.2, 0.3), abs=1e-14)


def test_two_unit_ladder() -> None:
    """M16, self-check: 10 mΩ units with 1 mΩ links share 54.55/45.45 %, and diagonal take-off restores halves."""
    near, far = sharing.ladder_shares(2, 10e-3, 1e-3, "same_end")
    assert near == pytest.approx(0.545455, abs=5e-7)
    assert near / far == pytest.approx((10 + 2 * 1) / 10)
    assert sharing.ladder_shares(2, 10e-3, 1e-3, "diagonal") == pytest.approx((0.5, 0.5))


@pytest.mark.parametrize("takeoff", ["same_end", "diagonal"])
@pytest.mark.parametrize(("n", "ratio"), [(2, 0.1), (3, 0.01), (5, 1.0), (8, 0.25), (40, 0.003), (200, 0.02)])
def test_ladder_against_a_nodal_solve(n: int, ratio: float, takeoff: sharing.Takeoff) -> None:
    """The chain's elimination agrees with numpy's solution of the full nodal equations to 1e-9 of the load."""
    got = sharing.ladder_shares(n, 2e-3, ratio * 2e-3, takeoff)
    np.testing.assert_allclose(got, nodal(n, 2e-3, ratio * 2e-3, takeoff), atol=1e-9, rtol=0)


@pytest.mark.parametrize("n", [2, 3, 4, 7, 12])
def test_small_links(n: int) -> None:
    """For small links (max-min)/mean tends to N(N-1)r/R at one end and floor((N-1)²/4)r/R diagonally (by hand)."""
    tiny = 1e-7
    for takeoff, slope in (("same_end", n * (n - 1)), ("diagonal", (n - 1) ** 2 // 4)):
        shares = sharing.ladder_shares(n, 1.0, tiny, takeoff)
        assert (max(shares) - min(shares)) * n / tiny == pytest.approx(slope, rel=1e-4, abs=1e-4)


def test_ladder_at_its_limits() -> None:
    """One unit carries all, a bar or links of nothing share alike, and with huge links the nearest unit has all."""
    for takeoff in ("same_end", "diagonal", "busbar"):
        assert sharing.ladder_shares(1, 1e-3, 1e-3, takeoff) == (1.0,)
        assert sharing.ladder_shares(5, 1e-3, 0, takeoff) == pytest.approx([0.2] * 5)
    assert sharing.ladder_shares(5, 1e-3, 9, "busbar") == (0.2,) * 5
    assert sharing.ladder_shares(5, 1e-6, 1e3, "same_end")[0] == pytest.approx(1)


@given(st.integers(1, 200), st.floats(1e-4, 1), st.floats(0, 0.1), st.sampled_from(["same_end", "diagonal", "busbar"]))
def test_ladder_shares_sum_to_one(n: int, r_battery: float, r_link: float, takeoff: sharing.Takeoff) -> None:
    """Shares sum to the load, none charges, the far end never carries more than the near, and diagonal is symmetric."""
    shares = sharing.ladder_shares(n, r_battery, r_link, takeoff)
    assert len(shares) == n
    assert math.fsum(shares) == pytest.approx(1, abs=1e-12)
    assert min(shares) >= -1e-12
    if takeoff == "same_end":
        assert all(near >= far - 1e-12 for near, far in pairwise(shares))
    else:
        assert shares == pytest.approx(shares[::-1], abs=1e-9)


@given(st.integers(2, 50), st.floats(1e-4, 1), st.floats(1e-6, 0.01), st.floats(1.01, 10))
def test_thicker_links_share_better(n: int, r_battery: float, r_link: float, times: float) -> None:
    """The first unit of a chain with both leads at one end never carries less when the links get worse."""
    good = sharing.ladder_shares(n, r_battery, r_link, "same_end")
    poor = sharing.ladder_shares(n, r_battery, r_link * times, "same_end")
    assert poor[0] >= good[0] - 1e-12


# ---------------------------------------------------------------- bad input


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (
            lambda: sharing.two_branch_currents(12, 0, 12, -1),
            "r1_ohm: must be above zero.*\nr2_ohm: must be above zero",
        ),
        (lambda: sharing.two_branch_currents(math.inf, 1, 12, 1), "ocv1_v: must be a finite number; got inf"),
        (lambda: sharing.two_branch_share_at(-1, **M11), "t_s: must be zero or more"),
        (lambda: sharing.two_branch_share_at(1, **(M11 | {"slope1_v": -1.0})), "slope1_v: must be zero or more"),
        (lambda: sharing.two_branch_share_at(1, **(M11 | {"q2_ah": 0.0})), "q2_ah: must be above zero"),
        (lambda: sharing.ladder_shares(0, 1, 1, "same_end"), "count the units in parallel"),
        (lambda: sharing.ladder_shares(4, 1, 1, "diagnal"), "did you mean 'diagonal'"),  # type: ignore[arg-type]
        (lambda: sharing.ladder_shares(4, 0, 1, "diagonal"), "r_battery_ohm: must be above zero"),
        (lambda: sharing.ladder_shares(4, 1, -1, "diagonal"), "r_link_ohm: must be zero or more"),
    ],
)
def test_bad_input_says_what_would_be_right(call, says: str) -> None:
    """Every refusal says what is wrong and what would be right."""
    with pytest.raises(InputError, match=says):
        call()
