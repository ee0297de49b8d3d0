"""The image: a strip over a roller printed, a constructed map held against it, page, tables and command."""

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from PIL import Image

from drapesim.front import image_sheet
from drapesim.front.cli import main
from drapesim.front.image_maps import find_window, say_way, tone_strength, write_at_scale
from drapesim.front.image_photograph import photograph_body, read_photograph, read_texture, write_texture
from drapesim.front.image_sheet import PAGE_FILE, spell_doubt, table_image, write_image
from drapesim.ground.outcome import InputError
from drapesim.jobs.image import load_lays, read_observed, study_image
from drapesim.judging.likeness import Score
from drapesim.judging.transfer import Way, read_way
from drapesim.matter.marks import FlatMap
from drapesim.settling.archive import save_run
from tests.unit.front.conftest import LENGTH, RADIUS, THICK, WIDTH

WAYS = tuple(read_way(name) for name in ("contact:1", "normal:linear:20", "view"))


@pytest.fixture
def no_screen(monkeypatch):
    monkeypatch.setattr(image_sheet, "draw_body", lambda *_: None)


@pytest.fixture(scope="module")
def study(finished):
    return study_image([("strip", finished)], WAYS)


@pytest.fixture
def picture(study, tmp_path):
    """The strip's own print along the normal, as a photograph with noise, 2 mm a pixel."""
    flat = write_at_scale(study.lays[0], study.lays[0].results[1], tmp_path / "flat.png", 2e-3)
    pixels = np.asarray(Image.open(flat))[: round(WIDTH / 2e-3), : round(LENGTH / 2e-3)].astype(float)
    pixels += np.random.default_rng(1).normal(0, 6, pixels.shape)
    path = tmp_path / "observed.png"
    Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).save(path)
    return path


def test_the_roller_prints_half_its_girth_and_is_seen_as_its_breadth(study):
    lay = study.lays[0]
    contact, _, view = (result.regions[-1] for result in lay.results)
    # half the roller, and on both sides as far as the hanging strip stays within the tolerance; read 5 mm apart
    touching = np.pi * RADIUS + 2.0 * np.sqrt(2.0 * RADIUS * 1e-3)
    assert contact.flat / WIDTH == pytest.approx(touching, abs=0.006)
    assert view.flat / WIDTH == pytest.approx(2 * RADIUS, abs=0.011)
    assert view.photo_widening == pytest.approx(0.0, abs=1e-9)
    assert view.photo_lengthening == pytest.approx(0.0, abs=1e-9)
    assert contact.photo_lengthening == pytest.approx(contact.flat / WIDTH / (2 * RADIUS) - 1, abs=0.02)
    assert contact.lengthening == pytest.approx(0.0, abs=0.01)
    (top,) = lay.results[0].landmarks
    np.testing.assert_allclose(top.uv, [0.5 * LENGTH, 0.5 * WIDTH], atol=1e-3)


def test_marks_land_where_they_touch(study):
    rows = {row.mark: row for row in study.lays[0].results[0].features}
    assert rows["on-top"].lost == pytest.approx(0.0, abs=1e-6)
    assert rows["hanging"].lost == pytest.approx(1.0)
    assert np.isnan(rows["hanging"].widening)
    # longer than on the body by half the thickness of what bends; a photograph sees the chord of that arc
    half = np.ptp(on_top(study).samples[:, 0]) / 2
    angle = half / (RADIUS + 0.5 * THICK)
    assert rows["on-top"].lengthening == pytest.approx(0.5 * THICK / RADIUS, abs=6e-4)
    assert 1.0 + rows["on-top"].photo_lengthening == pytest.approx(half / (RADIUS * np.sin(angle)), abs=2e-3)
    assert rows["on-top"].photo_widening == pytest.approx(0.0, abs=6e-4)
    assert rows["a<b & c"].off == pytest.approx(0.3, abs=2e-3)  # drawn 300 mm along from where the top prints


def on_top(study):
    return next(mark for mark in study.lays[0].run.marks if mark.name == "on-top")


def test_own_print_is_found_again(finished, picture):
    told = study_image([("strip", finished)], WAYS, read_observed(picture, 2.0, finished))
    assert told.scores[0].way == "normal:linear:20"
    assert told.scores[0].correlation > 0.9
    assert "resembles the observed map most" in spell_doubt(told)
    law = told.lays[0].studies[0].laws[0]
    assert law.full > 0.0
    tables = table_image(told)
    assert set(tables) == {"regions.csv", "landmarks.csv", "features.csv", "density.csv", "bins.csv", "ranking.csv"}
    for text in tables.values():
        rows = list(csv.reader(io.StringIO(text)))
        assert len({len(row) for row in rows}) == 1


def test_page_says_what_it_cannot(study, tmp_path, no_screen):
    page = write_image(tmp_path, study)
    text = page.read_text()
    assert page.name == PAGE_FILE
    assert "It cannot show that an image was made" in text
    assert "Strip on a &lt;roller&gt;" in text
    assert "a&lt;b &amp; c" in text
    for way in WAYS:
        assert say_way(way).replace("'", "&#39;") in text
    with Image.open(tmp_path / "flat" / "strip-contact-1.png") as flat:
        assert flat.size[0] == 800  # 1 mm a pixel, and below it the strip with scale bar, arrow and legend
        assert flat.size[1] >= 120 + 90
        assert flat.info["dpi"][0] == pytest.approx(25.4, rel=1e-3)
    arrays = np.load(tmp_path / "strip.npz")
    assert arrays["view/strength"].shape == (len(study.lattice.ij),)
    assert arrays["contact-1/body_m"].shape == (len(study.lattice.ij), 3)


def test_another_call_leaves_nothing_of_the_one_before(study, tmp_path, no_screen, monkeypatch):
    (tmp_path / "mine.png").write_bytes(b"mine")
    write_image(tmp_path, study)
    before = {path.name for path in tmp_path.rglob("*") if path.is_file()}
    assert {"strip-view.png", "strip.npz", "1-ways.png", "mine.png"} <= before
    one = replace(study, lays=(replace(study.lays[0], results=study.lays[0].results[:1]),))
    monkeypatch.setattr(image_sheet, "draw_ways", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_image(tmp_path, one)
    assert {path.name for path in tmp_path.rglob("*") if path.is_file()} == before  # nothing half written
    monkeypatch.undo()
    write_image(tmp_path, one, with_pictures=False)
    left = {path.name for path in tmp_path.rglob("*") if path.is_file()}
    assert left == {"strip.npz", "regions.csv", "landmarks.csv", "features.csv", "mine.png"}


def test_what_resembles_nothing_is_not_called_first(study):
    score = Score("strip", "view", 0.2, -0.1, 0.4, 0.1, np.nan, 0, 1.0, 0.0, np.nan, np.nan)
    told = spell_doubt(replace(study, scores=(score,), observed=object()))
    assert told.startswith("No prediction resembles")
    assert "0.20 (-0.10 to 0.40)" in told
    assert "resembles the observed map most" in spell_doubt(replace(study, scores=(replace(score, least=0.1),)))


def test_picture_of_one_tone_is_refused(finished, tmp_path):
    Image.new("RGB", (400, 60), (90, 80, 70)).save(tmp_path / "even.png")
    with pytest.raises(InputError, match="correct --mm-per-pixel"):
        read_observed(tmp_path / "even.png", 1.0, finished)
    with pytest.raises(InputError, match="one tone everywhere"):
        read_observed(tmp_path / "even.png", 2.0, finished)
    even = FlatMap(np.zeros((60, 400, 3), np.uint8), 2e-3, "inner")  # as a scene may have it
    told = study_image([("strip", finished)], WAYS[:1], even)
    assert told.scores == ()
    assert "one tone everywhere" in told.notes[-1]


def test_window_holds_the_print_and_some_cloth_round_it(study):
    lattice = study.lattice
    there = np.abs(lattice.uv - [0.4, 0.06]).max(axis=1) < 0.021
    np.testing.assert_allclose(find_window(lattice, there), [[320.0, 0.0], [480.0, 120.0]])
    np.testing.assert_allclose(find_window(lattice, there & False), [[0.0, 0.0], [1e3 * LENGTH, 1e3 * WIDTH]])


def test_words_of_a_picture_at_scale_fit_a_small_cloth(study, tmp_path):
    lay = study.lays[0]
    for pixel in (1e-3, 4e-3):  # 800 and 200 pixels across
        with Image.open(write_at_scale(lay, lay.results[1], tmp_path / "flat.png", pixel)) as flat:
            assert flat.size[0] == max(LENGTH / pixel, 500)
            strip = np.asarray(flat.convert("L"))[round(WIDTH / pixel) :]
        assert (strip[:, -5:] == 255).all()  # nothing is cut off at the right
        assert (strip[-3:] == 255).all()
        assert (strip < 128).any(axis=1).sum() > 30


def test_body_without_names_has_no_maps_of_them(finished, tmp_path, no_screen):
    bare = replace(finished.body, landmarks={}, region=np.full_like(finished.body.region, -1), region_names=())
    told = study_image([("strip", replace(finished, body=bare))], WAYS[:1])
    write_image(tmp_path, told)
    names = {path.name for path in (tmp_path / "pictures").iterdir()}
    assert names == {"1-ways.png", "1-distortion.png", "1-angles.png", "1-carried.png"}


def test_unsettled_run_is_told(unsettled, tmp_path, no_screen):
    told = study_image([("strip", unsettled)], WAYS[:1])
    assert "UNSETTLED" in told.notes[0]
    assert "UNSETTLED" in write_image(tmp_path, told).read_text()


def test_tone_runs_from_linen_to_print():
    tone = tone_strength(np.array([0.0, 1.0, np.nan])).astype(int)
    assert (tone[0] > tone[1]).all()
    np.testing.assert_array_equal(tone[0], tone[2])


def test_photograph_has_the_roller_where_it_lies(study):
    photograph = photograph_body(study.lays[0].laid)
    column, row = photograph.place(np.array([[0.0, 0.0, 0.6]]))[0]
    assert photograph.there[round(row), round(column)]
    assert photograph.there.mean() == pytest.approx(0.2 * 0.2 / (0.22 * 0.22), rel=0.05)


def test_picture_of_the_body_is_carried_where_the_body_prints(study, tmp_path):
    lay = study.lays[0]
    colours = np.zeros((200, 200, 3), np.uint8)
    colours[:, 100:] = (0, 0, 255)  # the half toward +x, which is the half of larger u
    Image.fromarray(colours).save(tmp_path / "body.png")
    photograph = read_photograph(tmp_path / "body.png", lay.laid)
    flat = write_texture(lay, lay.results[0], photograph, tmp_path / "flat.png", 1e-3)
    pixels = np.asarray(Image.open(flat))[:120]
    assert (pixels[30:90, 410:530] == (0, 0, 255)).all()
    assert (pixels[30:90, 270:390] == 0).all()
    assert (pixels[30:90, 1:200] == tone_strength(np.zeros(1))[0]).all()
    clear = np.dstack([colours, np.full((200, 200), 255, np.uint8)])
    clear[:, :100, 3] = 0
    Image.fromarray(clear).save(tmp_path / "clear.png")
    flat = write_texture(lay, lay.results[0], read_photograph(tmp_path / "clear.png", lay.laid), tmp_path / "flat.png")
    pixels = np.asarray(Image.open(flat))[:120]
    assert (pixels[30:90, 410:530] == (0, 0, 255)).all()
    assert (pixels[30:90, 270:390] == tone_strength(np.zeros(1))[0]).all()  # nothing to be carried there
    Image.fromarray(colours[:100]).save(tmp_path / "half.png")
    with pytest.raises(InputError, match="crop it to the body"):
        read_photograph(tmp_path / "half.png", lay.laid)
    with pytest.raises(InputError, match="there is no picture"):
        read_photograph(tmp_path / "none.png", lay.laid)
    (tmp_path / "no.png").write_text("no picture")
    with pytest.raises(InputError, match="cannot be read"):
        read_photograph(tmp_path / "no.png", lay.laid)


def write_coloured(path, vertices, faces, colours):
    """A mesh with colours at its corners, written by another library."""
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    if colours is not None:
        mesh.visual = trimesh.visual.ColorVisuals(mesh, vertex_colors=colours)
    mesh.export(path)


def test_coloured_mesh_is_carried_from_all_round(study, tmp_path):
    lay = study.lays[0]
    surface = lay.laid.field.surface
    faces = surface.faces[np.concatenate([lay.laid.field.tree.order, lay.laid.field.tree.large])]
    used, corner = np.unique(faces, return_inverse=True)
    # in mm and moved: the front flank of the roller blue, the other one green, brighter toward the top
    height = np.clip(255 * (surface.vertices[used, 2] - 0.5 + RADIUS) / (2 * RADIUS), 0, 255)
    colours = np.zeros((len(used), 4), np.uint8)
    colours[:, 3], front = 255, surface.vertices[used, 0] > 0.0
    colours[front, 2], colours[~front, 1] = height[front], height[~front]
    write_coloured(tmp_path / "roller.ply", 1e3 * surface.vertices[used] + [40, -30, 7], corner.reshape(-1, 3), colours)
    photograph = read_texture(tmp_path / "roller.ply", lay)
    flat = write_texture(lay, lay.results[1], photograph, tmp_path / "flat.png", 1e-3)
    pixels = np.asarray(Image.open(flat))[60].astype(int)
    for angle in (20, 50, 80):  # at 80 degrees a photograph sees the flank at a slant
        along = round(1e3 * (RADIUS + 0.5 * THICK) * np.radians(angle))
        bright = 255 * 0.5 * (1 + np.cos(np.radians(angle)))
        np.testing.assert_allclose(pixels[400 + along], [0, 0, bright], atol=8)
        np.testing.assert_allclose(pixels[400 - along], [0, bright, 0], atol=8)
    write_coloured(tmp_path / "plain.ply", surface.vertices[used], corner.reshape(-1, 3), None)
    write_coloured(tmp_path / "other.ply", surface.vertices[used] * [1, 1, 2], corner.reshape(-1, 3), colours)
    (tmp_path / "broken.ply").write_text("ply and no more")
    for name, problem in (("plain", "no colours"), ("other", "lies off"), ("broken", "cannot be read"),
                          ("none", "there is no file")):  # fmt: skip
        with pytest.raises(InputError, match=problem):
            read_texture(tmp_path / f"{name}.ply", lay)


def test_command_writes_and_refuses(finished, unsettled, picture, tmp_path, capsys):
    run = tmp_path / "run"
    run.mkdir()
    save_run(run, finished)
    out = str(tmp_path / "out")
    plain = ["image", str(run), "--out", out, "--no-pictures", "--quiet"]
    assert main([*plain, "--observed", str(picture), "--mm-per-pixel", "2", "--way", "contact:1", "--way", "view"]) == 0
    assert "Likeness to the observed map" in capsys.readouterr().out
    assert main(plain) == 2  # holds one already
    assert main([*plain, "--force", "--way", "contact:1", "--way", "contact:1"]) == 2
    assert main([*plain, "--force", "--observed", str(picture)]) == 2
    assert main([*plain, "--force", "--way", "wax"]) == 2
    assert main([*plain, "--force", "--seed", "-1"]) == 2
    assert main(["image", str(run), str(run), "--out", out]) == 2
    assert main(["image", str(run), "--out", str(run)]) == 2
    loose = tmp_path / "loose"
    loose.mkdir()
    save_run(loose, unsettled)
    assert main(["image", str(loose), "--out", str(tmp_path / "b"), "--no-pictures", "--quiet", "--way", "view"]) == 3


def test_runs_of_two_cloths_are_refused(finished, tmp_path):
    for name, run in (("a", finished), ("b", replace(finished, lattice=replace(finished.lattice, inner_sign=1)))):
        (tmp_path / name).mkdir()
        save_run(tmp_path / name, run)
    with pytest.raises(InputError, match="another size or side"):
        load_lays([tmp_path / "a", tmp_path / "b"])


def test_every_way_has_words():
    for kind in ("nearest", "normal", "down"):
        for law in ("cut-off", "linear", "exponential"):
            assert "20 mm" in say_way(Way(kind, law, 0.02))
