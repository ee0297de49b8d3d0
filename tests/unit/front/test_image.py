"""The image: a strip over a roller printed, a constructed map held against it, page, tables and command."""

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from drapesim.front import image_sheet
from drapesim.front.cli import main
from drapesim.front.image_maps import (
    photograph_body,
    read_photograph,
    say_way,
    tone_strength,
    write_at_scale,
    write_texture,
)
from drapesim.front.image_sheet import PAGE_FILE, spell_doubt, table_image, write_image
from drapesim.ground.outcome import InputError
from drapesim.jobs.image import load_lays, read_observed, study_image
from drapesim.judging.transfer import Way, read_way
from drapesim.settling.archive import save_run
from tests.unit.front.conftest import LENGTH, RADIUS, WIDTH

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
    pixels = np.asarray(Image.open(flat))[: round(WIDTH / 2e-3)].astype(float)
    pixels += np.random.default_rng(1).normal(0, 6, pixels.shape)
    path = tmp_path / "observed.png"
    Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).save(path)
    return path


def test_the_roller_prints_half_its_girth_and_is_seen_as_its_breadth(study):
    lay = study.lays[0]
    contact, _, view = (result.regions[-1] for result in lay.results)
    # half the roller, and on both sides as far as the hanging strip stays within the tolerance; nodes are 10 mm apart
    touching = np.pi * RADIUS + 2.0 * np.sqrt(2.0 * RADIUS * 1e-3)
    assert contact.flat / WIDTH == pytest.approx(touching, abs=0.011)
    assert view.flat / WIDTH == pytest.approx(2 * RADIUS, abs=0.021)
    assert contact.photo_lengthening == pytest.approx(contact.flat / WIDTH / (2 * RADIUS) - 1, abs=0.02)
    assert contact.lengthening == pytest.approx(0.0, abs=0.01)
    (top,) = lay.results[0].landmarks
    np.testing.assert_allclose(top.uv, [0.5 * LENGTH, 0.5 * WIDTH], atol=1e-3)


def test_marks_land_where_they_touch(study):
    rows = {row.mark: row for row in study.lays[0].features}
    assert rows["on-top"].lost == pytest.approx(0.0, abs=1e-6)
    assert rows["hanging"].lost == pytest.approx(1.0)
    assert rows["a<b & c"].off == pytest.approx(0.3, abs=2e-3)  # drawn 300 mm along from where the top prints


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
        assert flat.size == (800, 120 + 90)  # 1 mm a pixel, and the strip with scale bar, arrow and legend
        assert flat.info["dpi"][0] == pytest.approx(25.4, rel=1e-3)
    arrays = np.load(tmp_path / "strip.npz")
    assert arrays["view/strength"].shape == (len(study.lattice.ij),)
    assert arrays["contact-1/body_m"].shape == (len(study.lattice.ij), 3)


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
    Image.fromarray(colours[:100]).save(tmp_path / "half.png")
    with pytest.raises(InputError, match="crop it to the body"):
        read_photograph(tmp_path / "half.png", lay.laid)
    (tmp_path / "no.png").write_text("no picture")
    with pytest.raises(InputError, match="cannot be read"):
        read_photograph(tmp_path / "no.png", lay.laid)


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
