"""The obstacle's mesh: edges turned in a plane leave the surface and its places as they are."""

import numpy as np

from drapesim.judging.obstacle import flip_flat, halve_edges


def strip() -> tuple[np.ndarray, np.ndarray]:
    """A fan of 12 slender faces over a rectangle of 1 x 0.1, all from one corner."""
    top = np.c_[np.linspace(0, 1, 12), np.full(12, 0.1), np.zeros(12)]
    x = np.vstack([[0.0, 0, 0], [1.0, 0, 0], top[::-1]])
    return x, np.array([[0, k, k + 1] for k in range(1, len(x) - 1)])


def areas(x: np.ndarray, faces: np.ndarray) -> np.ndarray:
    a, b, c = (x[faces[:, k]] for k in range(3))
    return 0.5 * np.cross(b - a, c - a)[:, 2]


def test_turned_edges_keep_the_surface_and_make_faces_compact() -> None:
    x, faces = strip()
    turned = flip_flat(x, faces, np.zeros(len(faces), dtype=int))
    assert (areas(x, turned) > 0.0).all()
    np.testing.assert_allclose(areas(x, turned).sum(), 0.1)

    def blunt(faces: np.ndarray) -> float:
        edge = np.linalg.norm(x[faces] - np.roll(x[faces], -1, axis=1), axis=2)
        return float((areas(x, faces) / edge.max(axis=1) ** 2).min())

    assert blunt(turned) > 3.0 * blunt(faces)


def test_no_edge_is_turned_between_places_nor_across_a_bend() -> None:
    x, faces = strip()
    assert np.array_equal(flip_flat(x, faces, np.arange(len(faces))), faces)
    bent = x + np.c_[np.zeros((len(x), 2)), 0.1 * np.arange(len(x)) ** 2]
    assert np.array_equal(flip_flat(bent, faces, np.zeros(len(faces), dtype=int)), faces)


def test_halved_edges_keep_each_place_its_area() -> None:
    x, faces = strip()
    alike = (np.arange(len(faces)) > 5).astype(int)
    new_x, new, parent = halve_edges(x, faces, np.arange(len(faces)), lambda m: np.full(len(m), 0.08), alike)
    for k in (0, 1):
        np.testing.assert_allclose(areas(new_x, new)[alike[parent] == k].sum(), areas(x, faces)[alike == k].sum())
    assert np.linalg.norm(new_x[new] - np.roll(new_x[new], -1, axis=1), axis=2).max() <= 0.08
