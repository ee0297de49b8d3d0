"""The 3D pictures and the guard before them."""

import subprocess
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from drapesim.front import view
from drapesim.front.charts import cut_triangles, draw_history, draw_sections, take_sections
from drapesim.front.colours import scale_gaps


@pytest.fixture
def fresh_probe():
    view.pick_window.cache_clear()
    yield
    view.pick_window.cache_clear()


@pytest.mark.usefixtures("fresh_probe")
def test_a_dead_probe_is_no_window(finished, tmp_path, monkeypatch):
    tried = []

    def die(command, **_):
        tried.append(command[-1])
        return subprocess.CompletedProcess(command, -11)  # a segfault

    monkeypatch.setattr(view.subprocess, "run", die)
    assert view.draw_views(finished, tmp_path) is None
    assert len(tried) == 2
    assert "vtkEGLRenderWindow" in tried[0]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("fresh_probe")
def test_a_hanging_probe_is_no_window(monkeypatch):
    def hang(command, timeout, **_):
        raise subprocess.TimeoutExpired(command, timeout)

    monkeypatch.setattr(view.subprocess, "run", hang)
    assert view.pick_window() is None


@pytest.mark.usefixtures("window")
def test_pictures_show_the_sheet(finished, tmp_path):
    written = view.draw_views(finished, tmp_path)
    assert set(written) == {"slant", "cut", "side", "above"}
    for name, path in written.items():
        pixels = np.asarray(Image.open(path).convert("RGB")).astype(int)
        assert (pixels[2, 2] == 255).all(), name
        # Somewhere the touching colour, and somewhere the pale one of far cloth, each more than the legend's share.
        assert (np.abs(pixels - pixels.mean(axis=(0, 1))).max(axis=2) > 60).mean() > 0.02, name


def test_places_fall_where_the_camera_sees_them():
    shot = view.Shot(np.zeros((200, 400, 3), np.uint8), np.array([1.0, 2.0, 3.0]), np.array([1.0, 0, 0]),
                     np.array([0, 0, 1.0]), 0.01)  # fmt: skip
    assert shot.place(np.array([[1.0, 9.0, 3.0], [2.0, 0.0, 3.5]])) == pytest.approx(np.array([[200, 100], [300, 50]]))


@pytest.mark.usefixtures("window")
def test_overlay_meets_the_picture(finished):
    """A label's place is where the renderer draws: the highest red ball is found at the projected point."""
    camera = next(c for c in view.place_cameras(finished) if c.name == "side")
    drop = finished.marks[3]
    with view.Studio(replace(finished, marks=(drop,), verdicts=()), scale_gaps((1e-3,))) as studio:
        shot = studio.take(camera)
    (line,) = view.trace_mark(finished, drop)
    ((x, y),) = shot.place(line)
    window = shot.pixels[int(y) - 8 : int(y) + 9, int(x) - 8 : int(x) + 9].astype(int)
    yellow = (window[:, :, 0] - window[:, :, 2] > 40).mean()  # the sign for "undecided"
    assert yellow > 0.3


def test_every_gap_is_looked_up_in_its_own_band():
    scale = scale_gaps((5e-4, 1e-3, 5e-3))
    shades = view.shade_gaps(scale)
    gap = np.linspace(0.0, 1.2 * scale.edges[-1], 5000)  # both sides of every edge, and beyond the last
    step = 1.02 * scale.edges[-1] / len(shades)
    inside = np.abs(gap[:, None] - scale.edges).min(axis=1) > step
    place = np.minimum((gap / step).astype(int), len(shades) - 1)
    assert (shades[place, :3] == np.round(255 * scale.paint(gap)))[inside].all()
    assert (shades[:, 3] == 255).all()


@pytest.mark.usefixtures("window")
def test_the_sheet_shows_the_bands_of_its_gap(finished):
    """Seen from above on top of the roller, where cloth touches, and beside it, where it hangs 7 mm off."""
    gap = np.where(finished.lattice.uv[:, 1] < 0.06, 2e-4, 7e-3)
    run = replace(finished, marks=(), verdicts=(), contact=replace(finished.contact, gap=gap))
    scale = scale_gaps((5e-4, 1e-3, 5e-3))
    camera = next(c for c in view.place_cameras(run) if c.name == "above")
    with view.Studio(run, scale) as studio:
        shot = studio.take(camera)
    places = shot.place(np.array([[0.0, -0.03, 0.6], [0.0, 0.03, 0.6]])).astype(int)
    seen = np.array([shot.pixels[y, x] for x, y in places]) / 255
    for colour, right, wrong in zip(seen, (2e-4, 7e-3), (7e-3, 2e-4), strict=True):
        away = [np.abs(colour - scale.paint(np.array([gap]))[0]).max() for gap in (right, wrong)]
        assert away[0] < 0.1 < away[1]


@pytest.mark.usefixtures("window")
def test_cloth_seen_edge_on_is_a_line(finished):
    run = replace(finished, marks=(), verdicts=())
    camera = next(c for c in view.place_cameras(run) if c.name == "side")
    with view.Studio(run, scale_gaps((1e-3,))) as studio:
        shot = studio.take(camera)
    hanging = run.x[(run.x[:, 2] < 0.45) & (run.x[:, 0] < 0)]
    for x, y in shot.place(hanging).astype(int):
        assert shot.pixels[y, x - 3 : x + 4].min() < 160


@pytest.mark.usefixtures("window")
def test_every_camera_sees_the_whole_sheet_and_the_body(finished):
    with view.Studio(finished, scale_gaps((1e-3,))) as studio:
        for camera in view.place_cameras(finished):
            shot = studio.take(camera)
            places = shot.place(np.concatenate([finished.x, finished.body.vertices[:100]]))  # the roller's come first
            assert (places > 2).all(), camera.name
            assert (places < np.array(shot.pixels.shape[1::-1]) - 2).all(), camera.name


def test_section_of_the_roller(finished):
    along = take_sections(finished)[0]
    away = np.hypot(along.figure[:, :, 0], along.figure[:, :, 1] - 0.5)
    assert away == pytest.approx(0.1, abs=0.1 * (1 - np.cos(np.pi / 256)) + 1e-9)
    top = along.cloth.reshape(-1, 2)[:, 1].max()
    assert top == pytest.approx(0.6 + 2.1e-4, abs=1e-9)
    length = np.linalg.norm(along.cloth[:, 1] - along.cloth[:, 0], axis=1).sum()
    assert length == pytest.approx(0.8, rel=2e-3)


def test_cut_of_a_square():
    points = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0.0]])
    ends, _, _ = cut_triangles(points, np.array([[0, 1, 2], [0, 2, 3]]), np.array([0.25, 0, 0]), np.array([1.0, 0, 0]))
    assert ends[:, :, 0] == pytest.approx(0.25)
    assert np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).sum() == pytest.approx(1.0)


def test_charts_are_written(finished, tmp_path):
    for path in (draw_sections(finished, tmp_path / "s.png", 1e-3), draw_history(finished, tmp_path / "h.png")):
        assert np.asarray(Image.open(path).convert("L")).std() > 5
    empty = replace(finished, history=np.zeros((0, 4)))
    assert draw_history(empty, tmp_path / "e.png").exists()
