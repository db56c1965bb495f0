"""How fast the live heat model is, beside finite elements of the same error: python -m tests.benchmarks.heat_speed"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import LinearOperator, cg, splu
from skfem import Basis, BilinearForm, ElementHex1, FacetBasis, LinearForm, MeshHex
from skfem.helpers import dot, grad

from monitor.heat.board import BoardModel, Losses, Slab
from monitor.heat.chain import Fineness, part_edges
from monitor.heat.estimate import HeatEstimator
from tests.benchmarks.command import command
from tests.heat.cases import jet_at, job

FloatArray = NDArray[np.float64]

FRAME_S, SECONDS = 1 / 30, 5.0
SIZE_M, THICK_M, K_XY, K_Z, HEAT_J_M3K = (48e-3, 32e-3), 1.2e-3, 12.0, 0.4, 1900 * 1150.0
LOSS_W_M2K, FILM_W_M2K, WIDTH_M, PART_M = 11.0, 280.0, 7e-3, 9e-3
POINTS_M = [(16e-3, 16e-3, 1.2e-3), (24e-3, 16e-3, 0.0), (30e-3, 12e-3, 1.2e-3), (40e-3, 24e-3, 0.6e-3)]
MESHES = [(8, 6, 1), (12, 8, 2), (16, 11, 2), (20, 14, 3), (24, 16, 3), (32, 21, 4)]
FINE = (64, 43, 8)


def spot(x_m: FloatArray, y_m: FloatArray, t_s: float) -> FloatArray:
    """Film coefficient of a spot that moves along the board [W/m2/K]."""
    return FILM_W_M2K * np.exp(-((x_m - 12e-3 - 4e-3 * t_s) ** 2 + (y_m - SIZE_M[1] / 2) ** 2) / WIDTH_M**2)


def live(n_members: int = 1) -> BoardModel:
    """A bare board on the grid of the live estimate, laid as if a part stood in its middle."""
    fine, half = Fineness(), PART_M / 2
    edges = [part_edges(s / 2 - half, s / 2 + half, (0.0, s), [], fine) for s in SIZE_M]
    board = Slab(THICK_M, fine.board_levels, K_XY, K_Z, HEAT_J_M3K, shrink=fine.shrink)
    return BoardModel(*edges, board, ambient_c=0.0, start_c=0.0, n_members=n_members,
                      losses=Losses((LOSS_W_M2K, 0, 0), (LOSS_W_M2K, 0, 0), LOSS_W_M2K))


def run_live() -> tuple[FloatArray, FloatArray]:
    """Readings at every tenth frame, and the time of each step [s]."""
    model, rows, spent = live(), [], []
    one, (gx, gy) = np.ones((model.y_m.size, model.x_m.size, 1)), np.meshgrid(model.x_m, model.y_m)
    model.step(0 * one, one, FRAME_S)  # compiled before the clock runs
    model = live()
    for n in range(round(SECONDS / FRAME_S)):
        began = time.perf_counter()
        model.step(spot(gx, gy, (n + 1) * FRAME_S)[:, :, None], one, FRAME_S)
        spent.append(time.perf_counter() - began)
        if n % 10 == 9:
            rows.append([float(model.probe(*p)[0]) for p in POINTS_M])
    return np.array(rows), np.array(spent)


def run_elements(cells: tuple[int, int, int]) -> tuple[FloatArray, FloatArray]:
    """The same by trilinear elements, backward Euler and preconditioned conjugate gradients."""
    mesh = MeshHex.init_tensor(*(np.linspace(0, s, c + 1) for s, c in zip((*SIZE_M, THICK_M), cells, strict=True)))
    inside = Basis(mesh, ElementHex1())
    top = FacetBasis(mesh, ElementHex1(), facets=mesh.facets_satisfying(lambda x: np.isclose(x[2], THICK_M)))
    faces = FacetBasis(mesh, ElementHex1(), facets=mesh.boundary_facets())
    mass = BilinearForm(lambda u, v, w: HEAT_J_M3K * u * v).assemble(inside) / FRAME_S
    fixed = mass + BilinearForm(lambda u, v, w: K_XY * dot(grad(u)[:2], grad(v)[:2]) + K_Z * grad(u)[2] * grad(v)[2]
                                ).assemble(inside) + BilinearForm(lambda u, v, w: LOSS_W_M2K * u * v).assemble(faces)
    area = LinearForm(lambda v, w: v).assemble(top)  # a nodal film: its matrix is a diagonal
    read, rise = inside.probes(np.array(POINTS_M).T), np.zeros(mesh.p.shape[1])
    guess = splu((fixed + sparse.diags(area * spot(mesh.p[0], mesh.p[1], SECONDS / 2))).tocsc())
    condition = LinearOperator(fixed.shape, matvec=guess.solve)
    rows, spent = [], []
    for n in range(round(SECONDS / FRAME_S)):
        began = time.perf_counter()
        film = area * spot(mesh.p[0], mesh.p[1], (n + 1) * FRAME_S)
        rise, _ = cg(fixed + sparse.diags(film), mass @ rise + film, x0=rise, rtol=1e-5, M=condition)
        spent.append(time.perf_counter() - began)
        if n % 10 == 9:
            rows.append(read @ rise)
    return np.array(rows), np.array(spent)


def run_estimate() -> FloatArray:
    """Time of each step of the whole estimate, all regions and bands [s]."""
    estimator, spent = HeatEstimator(job()), []
    for n in range(330):
        began = time.perf_counter()
        estimator.step(jet_at(n * FRAME_S, 12.0, (2 * np.cos(n / 9), 2 * np.sin(n / 9)), tilt_rad=0.2))
        spent.append(time.perf_counter() - began)
    return np.array(spent[30:])


def main(arguments: list[str]) -> int:
    """Print the ratios."""
    say: Callable[[str, FloatArray], None] = lambda what, s: print(
        f"{what}: median {1e3 * np.median(s):.3f} ms, mean {1e3 * s.mean():.3f} ms a frame of 33.3 ms, "
        f"{FRAME_S / np.median(s):.0f} x real time by the median, {FRAME_S / s.mean():.0f} x by the mean")
    fine, _ = run_elements(FINE)
    rows, spent = run_live()
    peak = fine.max()
    error = float(abs(rows - fine).max() / peak)
    say(f"live board ({live().work.temp_c.size} cells, error {error:.2%} of the peak rise)", spent)
    for cells in MESHES:
        got, took = run_elements(cells)
        missed = float(abs(got - fine).max() / peak)
        say(f"scikit-fem {cells}, error {missed:.2%}", took)
        if missed <= error:
            print(f"at the same error the live board is {np.median(took) / np.median(spent):.1f} times faster")
            break
    say("whole estimate, all regions and bands", run_estimate())
    return 0


if __name__ == "__main__":
    sys.exit(command(main, __doc__))
