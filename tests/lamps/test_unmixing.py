"""The solver of outputs against reference solvers, worked figures and the laws of its optimum."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import lsq_linear, nnls

from stopwise.lamps.unmixing import Design, fit_outputs, standard_error

# Three lights on four patches; figures reproduced with scipy.optimize.nnls, which follows
# Lawson and Hanson, Solving Least Squares Problems, 1974, chapter 23.
LIGHTS = np.array([[4, 1, 0.5], [2, 3, 0.5], [0.5, 2, 3], [1, 1, 1.0]])
WORKED = [
    (np.array([[1, 0], [1, 0], [0, 1.0]]), [2, 1, 1], [1.5, 1.0]),
    (np.array([[1, 0], [1, 0], [0, 1.0]]), [-1, -1, -1], [0.0, 0.0]),
    (LIGHTS, [2.75, 2.25, 3.75, 1.75], [0.5, 0.25, 1.0]),
    (LIGHTS, [10, 1, 1, 1], [2.0470588, 0.0, 0.0]),
]


def solved(rows, seen):
    """Return outputs where every cell fits, so that all count alike."""
    cells = design(np.asarray(seen, float), np.asarray(rows, float), sigma=1e4)
    return fit_outputs(cells, start=np.ones(cells.stayed.shape[1])).outputs


@pytest.mark.parametrize(("rows", "seen", "wanted"), WORKED)
def test_worked_figures_come_out(rows, seen, wanted):
    assert solved(rows, seen) == pytest.approx(wanted, abs=1e-6)


def test_plain_least_squares_would_make_a_light_negative_where_the_bound_holds_it():
    free = np.linalg.lstsq(LIGHTS, np.array([10, 1, 1, 1.0]), rcond=None)[0]
    assert free[1] == pytest.approx(-1.688486, abs=1e-6)
    assert solved(LIGHTS, [10, 1, 1, 1])[1] == 0.0


def test_the_optimum_obeys_karush_kuhn_tucker():
    seen = np.array([10, 1, 1, 1.0])
    gradient = LIGHTS.T @ (seen - LIGHTS @ solved(LIGHTS, seen))
    assert gradient == pytest.approx([0.0, -8.564706, -1.758824], abs=1e-5)


def test_half_the_squared_residual_is_the_cost_of_the_bounded_reference():
    seen = np.array([10, 1, 1, 1.0])
    rest = seen - LIGHTS @ solved(LIGHTS, seen)
    reference = lsq_linear(LIGHTS, seen, bounds=(0, np.inf))
    assert 0.5 * rest @ rest == pytest.approx(6.976471, abs=1e-5)
    assert reference.cost == pytest.approx(6.976471, abs=1e-5)


def design(seen, rows, sigma=0.05):
    count = len(seen)
    return Design(
        seen=np.asarray(seen),
        stayed=np.asarray(rows),
        moved=None,
        sigma=np.full(count, sigma),
        region=np.arange(count) // 10,
        where=np.zeros((count, 2)),
        slopes=np.zeros(len(rows[0])),
    )


def test_cells_that_fit_no_lamp_hardly_count():
    rng = np.random.default_rng(5)
    rows = rng.exponential(size=(400, 4))
    true = np.array([1.0, 0.5, 0.0, 2.0])
    seen = rows @ true + rng.normal(0, 0.02, 400)
    seen[:80] *= rng.uniform(0.2, 3.0, 80)  # a fifth of the cells is something else
    fit = fit_outputs(design(seen, rows), start=np.ones(4))
    plain = nnls(rows, seen)[0]
    assert fit.outputs == pytest.approx(true, abs=0.02)
    assert np.abs(plain - true).max() > 0.05


def test_clean_cells_give_what_the_reference_gives():
    rng = np.random.default_rng(6)
    rows = rng.exponential(size=(200, 5))
    true = np.array([1.0, 0.1, 3.0, 0.7, 0.4])
    seen = rows @ true + rng.normal(0, 0.001, 200)
    fit = fit_outputs(design(seen, rows), start=np.ones(5))
    assert fit.outputs == pytest.approx(nnls(rows, seen)[0], abs=1e-4)


def test_the_standard_error_covers_what_it_should():
    rng = np.random.default_rng(7)
    rows = rng.exponential(size=(300, 3))
    off = []
    for _ in range(60):
        seen = rows @ np.ones(3) + rng.normal(0, 0.05, 300)
        cells = design(seen, rows)
        fit = fit_outputs(cells, start=np.ones(3))
        off.append((fit.outputs - 1.0) / standard_error(fit, cells))
    assert 0.5 < np.std(off) < 1.1


def test_a_lamp_that_lights_no_cell_is_known_to_nobody():
    rng = np.random.default_rng(8)
    rows = rng.exponential(size=(200, 2))
    rows[:, 1] = 0.0
    cells = design(rows @ np.ones(2), rows)
    fit = fit_outputs(cells, start=np.ones(2))
    assert standard_error(fit, cells)[1] > 50.0
