"""The film of a lay: which frames are shown, how long, how large the file is, and what stands on them."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageDraw

from drapesim.front import film as room
from drapesim.front.cli import main
from drapesim.front.film import (
    ROOMY,
    STAGES,
    TICK,
    choose_frames,
    draw_stages,
    encode_gif,
    fit_gif,
    pick_stages,
    place_camera,
    set_frame,
    split_steps,
    write_film,
)
from drapesim.front.view import Shot
from drapesim.ground.outcome import InputError
from drapesim.jobs.film import AGAIN, find_film
from drapesim.matter.lay import LowerStep
from drapesim.settling.archive import save_run
from drapesim.settling.frames import Film, save_film
from tests.unit.front.conftest import LENGTH, WIDTH

WORDS = ("lower it over the roller", "smooth it (one hand)", "let go")


@pytest.fixture(scope="module")
def moving(finished):
    """Let down from 200 mm, then 30 mm to the side, then at rest; the second step moves a tenth of the first."""
    down, side = np.array([0.0, 0.0, 0.2]), np.array([0.0, 0.03, 0.0])
    t = np.linspace(0, 1, 40)[:, None, None]
    x = np.concatenate([finished.x + (1 - t) * down - side, finished.x - side + t * side, finished.x[None]])
    words = (WORDS[0],) * 40 + (WORDS[1],) * 40 + (WORDS[2],)
    return Film(finished.lattice, x.astype(np.float32), words, np.arange(len(x), dtype=float))


def noise(n, size=(60, 80), seed=1):
    chance = np.random.default_rng(seed)
    return [chance.integers(0, 256, (*size, 3), dtype=np.uint8) for _ in range(n)]


def test_every_step_is_shown_to_its_end(moving, finished):
    chosen = choose_frames(moving, finished, most=30)
    assert [each.words for each in chosen if each.stands > TICK][:3] == list(WORDS)
    assert chosen[-1].words == "at rest, by the certificate"
    assert 25 <= len(chosen) <= 40
    assert [each.done for each in chosen] == sorted(each.done for each in chosen)
    # most pictures where most moves
    count = {words: sum(each.words == words for each in chosen) for words in WORDS}
    assert count[WORDS[0]] > 3 * count[WORDS[1]] >= 6
    ends = split_steps(moving.words)
    assert ends == [(0, 39), (40, 79), (80, 80)]
    for k, (_, last) in enumerate(ends):
        assert any(np.array_equal(each.x, moving.x[last]) for each in chosen if each.words == WORDS[k])


def test_an_unsettled_end_is_named(moving, finished):
    bad = replace(finished, certificate=replace(finished.certificate, settled=False))
    assert choose_frames(moving, bad)[-1].words.startswith("UNSETTLED")


def test_camera_sees_all_of_the_way(moving, finished):
    camera = place_camera(choose_frames(moving, finished), finished)
    for axis in range(3):
        assert camera.frame[:, axis].min() <= moving.x[..., axis].min() + 1e-6
        assert camera.frame[:, axis].max() >= moving.x[..., axis].max() - 1e-6


def test_cloth_that_fell_off_is_let_out_of_sight(moving, finished):
    lost = replace(finished, x=finished.x - [0.0, 0.0, 100.0])
    camera = place_camera(choose_frames(moving, lost), lost)
    assert camera.frame[:, 2].min() > -1.0


def test_gif_is_kept_small_and_its_time_whole():
    pictures, stands = noise(60), [0.09] * 59 + [2.0]
    whole = encode_gif(pictures, stands)
    content, kept, told = fit_gif(pictures, stands, most=len(whole) // 3)
    assert len(content) <= len(whole) // 3
    assert sum(told) == pytest.approx(sum(stands))
    with Image.open(io.BytesIO(content)) as film:
        assert film.n_frames == len(kept) == len(told)
        film.seek(film.n_frames - 1)
        assert film.info["duration"] >= 2000
    smaller, kept, _ = fit_gif(pictures, stands, most=len(whole) // 20)
    assert len(smaller) <= len(whole) // 20
    assert kept[0].shape[1] < 80


def test_gif_goes_round_and_lasts_as_said():
    with Image.open(io.BytesIO(encode_gif(noise(3), [0.09, 0.7, 2.0]))) as film:
        assert film.info["loop"] == 0
        lasting = []
        for k in range(film.n_frames):
            film.seek(k)
            lasting.append(film.info["duration"])
    assert lasting == [90, 700, 2000]


def test_scale_bar_and_words():
    grey = np.full((300, 800, 3), 200, np.uint8)
    shot = Shot(grey, np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 0, 1.0]), 1e-3)
    page = set_frame(shot, "pull the edge over the toes", 0.5, "A lay")
    assert page.shape == (300 + room.HEAD + room.FOOT, 800, 3)
    assert np.array_equal(page[room.HEAD : room.HEAD + 300], grey)
    foot = page[room.HEAD + 300 :]
    # 200 pixels are 200 mm, the largest round length below a quarter of the picture is 100 mm
    row = foot[14, 480:]
    assert int((row.max(axis=1) < 100).sum()) == pytest.approx(100, abs=2)
    bar = foot[14, :410].max(axis=1) < 100
    assert int(bar.sum()) == pytest.approx(0.5 * (400 - 12), abs=3)
    long = set_frame(shot, "pull " * 60, 1.0, "A lay")
    assert long.shape == page.shape


def test_stages_are_start_ends_and_rest(moving, finished):
    stages = pick_stages(choose_frames(moving, finished))
    ends = [each.words for each in stages if not each.words.endswith("on the way")]
    assert ends == ["the start", *WORDS, "at rest, by the certificate"]
    # between start and end of the step that moves most there is a picture midway
    assert stages[1].words == f"{WORDS[0]}: on the way"
    assert len(stages) <= ROOMY
    words = tuple(f"step {k}" for k in range(30) for _ in range(2))
    x = np.repeat(moving.x[:1], 60, axis=0) + np.linspace(0, 0.1, 60, dtype=np.float32)[:, None, None]
    many = Film(moving.lattice, x, words, np.arange(60.0))
    picked = pick_stages(choose_frames(many, finished))
    assert len(picked) == STAGES
    assert picked[-1].words == "at rest, by the certificate"


def test_other_kinds_are_refused(moving, finished, tmp_path, monkeypatch):
    with pytest.raises(InputError, match="GIF, MP4 or WebM"):
        write_film(tmp_path / "film.avi", moving, finished)
    monkeypatch.setattr(room, "draw_moving", lambda *_: None)
    with pytest.raises(InputError, match="cannot be drawn"):
        write_film(tmp_path / "film.gif", moving, finished)
    assert draw_stages(tmp_path / "stages.png", moving, finished) is None
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("kind", [".mp4", ".webm"])
def test_other_films_can_be_read(kind):
    av = pytest.importorskip("av")
    content = room.encode(kind, noise(4, (64, 96)), [0.2, 0.2, 0.2, 0.4])
    with av.open(io.BytesIO(content)) as film:
        frames = list(film.decode(video=0))
    assert len(frames) == 25
    assert (frames[0].width, frames[0].height) == (96, 64)


@pytest.mark.usefixtures("window")
def test_command_draws_off_screen(moving, finished, tmp_path, capsys):
    save_run(tmp_path, finished)
    assert main(["film", str(tmp_path)]) == 2
    assert "has no frames.h5" in capsys.readouterr().err
    save_film(tmp_path, replace(moving, x=moving.x[::8], words=moving.words[::8], seconds=moving.seconds[::8]))
    assert main(["film", str(tmp_path), "--pixels", "320"]) == 0
    with Image.open(tmp_path / "film.gif") as film:
        first = np.asarray(film.convert("RGB"), dtype=int)
        film.seek(film.n_frames - 1)
        last = np.asarray(film.convert("RGB"), dtype=int)
    assert first.shape[1] == 320
    assert (np.abs(first - last).max(axis=2) > 40).mean() > 0.02  # the cloth has moved
    assert (tmp_path / "film.gif").stat().st_size < 8_000_000
    assert main(["film", str(tmp_path)]) == 2
    assert main(["film", str(tmp_path), "--force", "--pixels", "10"]) == 2
    assert main(["film", str(tmp_path), "--pixels", "320", "--out", str(tmp_path / "new" / "film.gif")]) == 0
    capsys.readouterr()
    assert main(["film", str(tmp_path), "--out", str(tmp_path / "film.gif" / "film.gif")]) == 2
    assert "the folder cannot be made" in capsys.readouterr().err


def test_a_cloth_that_was_only_lowered_is_let_down_again(finished, tmp_path):
    thin = replace(finished.fabric, friction={part.surface: 0.4 for part in finished.body.parts} | {"itself": 0.4})
    step = LowerStep(point=(0.5 * LENGTH, 0.5 * WIDTH), place=(0.0, 0.0), clearance=0.005)
    film, note = find_film(tmp_path, replace(finished, fabric=thin, lay=(step,)))
    assert "computed again" in note
    assert film.words[-1] == "letting the cloth down"
    first, last = film.x[0], film.x[-1]
    assert np.ptp(first[:, 2]) < 1e-6
    assert last[:, 2].min() < first[:, 2].min() - 0.2  # the ends hang
    with pytest.raises(InputError, match=r"frames\.h5"):
        find_film(tmp_path, replace(finished, lay=(step, step)))


def test_words_below_a_picture_of_the_way_down_are_told_whole():
    draw = ImageDraw.Draw(Image.new("RGB", (8, 8)))
    note = f"{AGAIN.format(122.0)}. Outer face pale, inner dark."
    bar = draw.textlength("1000 mm in the plane of the picture", font=room._font(12))
    assert room._fit(draw, note, room._font(12), 800 - 12 - bar - 24, 1) == note
