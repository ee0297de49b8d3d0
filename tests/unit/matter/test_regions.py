"""Places of a body: what a places file may say, what it makes of a mesh, and that it comes back as it was written."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from drapesim.ground.files import hash_bytes
from drapesim.ground.outcome import InputError
from drapesim.matter.body import load_body, sphere
from drapesim.matter.regions import check_mesh, find_place, name_places, read_places, spell_places
from drapesim.matter.slices_mesh import spell_ply

BALL = replace(sphere(0.1, subdivisions=4), landmarks=MappingProxyType({}))
MIDDLE = BALL.vertices[BALL.faces].mean(axis=1)
AREA = 0.5 * np.linalg.norm(
    np.cross(*(BALL.vertices[BALL.faces[:, k]] - BALL.vertices[BALL.faces[:, 0]] for k in (1, 2))), axis=1
)
POINTS = "[landmarks_mm]\nchin = [0, 0, 100.2]\nnavel = [0, 0, -100]\nbump = [100, 0, 0]\n"


@pytest.fixture
def read(tmp_path):
    def read(text):
        path = tmp_path / "ball.places.toml"
        path.write_text(text)
        return read_places(path)

    return read


def region(named, name):
    return named.body.region == named.body.region_names.index(name)


def test_a_round_patch_has_the_area_of_a_cap(read):
    """Geodesic radius r on a sphere of radius R: 2 pi R^2 (1 - cos(r / R))."""
    named = name_places(BALL, read(POINTS + '[[region]]\nname = "face"\nlandmark = "chin"\nradius_mm = 60'))
    cap = 2 * np.pi * 0.1**2 * (1 - np.cos(0.6))
    assert AREA[region(named, "face")].sum() == pytest.approx(cap, rel=0.04)  # whole faces, ways up to 2.5 % long
    assert named.notes == ("The landmark 'chin' was moved 0.2 mm onto the surface.",
                           "'bump' is no standard anatomical name; used as written.")  # fmt: skip


def test_all_that_a_table_states_must_hold_and_the_later_table_wins(read):
    named = name_places(BALL, read(POINTS + """
[[region]]
name = "chest"
through_mm = [0, 0, 0]
toward = [0, 0, 2]
[[region]]
name = "face"
landmark = "pogonion"   # another word for chin
radius_mm = 60
through_mm = [0, 0, 0]
toward = [1, 0, 0]
"""))  # fmt: skip
    face, chest = region(named, "face"), region(named, "chest")
    assert (MIDDLE[face][:, 0] >= 0).all()
    assert np.array_equal(face | chest, MIDDLE[:, 2] >= 0)
    assert not (face & chest).any()


def test_cells_share_out_the_surface_between_their_landmarks(read):
    named = name_places(BALL, read(POINTS + """
[[region]]
name = "head"
nearest = ["chin"]
[[region]]
name = "abdomen"
nearest = ["navel", "bump"]
reach_mm = 50
"""))  # fmt: skip
    chin, navel, bump = (np.array(p) for p in ((0, 0, 0.1), (0, 0, -0.1), (0.1, 0, 0)))
    off = [np.linalg.norm(MIDDLE - p, axis=1) for p in (chin, navel, bump)]
    head = off[0] < np.minimum(off[1], off[2])
    clear = np.abs(off[0] - np.minimum(off[1], off[2])) > 0.004
    assert np.array_equal(region(named, "head")[clear], head[clear])
    reached = np.minimum(off[1], off[2]) < 0.2 * np.sin(0.25) - 0.004
    assert (region(named, "abdomen") | head)[reached & clear].all()
    assert not region(named, "abdomen")[np.minimum(off[1], off[2]) > 0.0495].any()


@pytest.mark.parametrize(("text", "sentence"), [
    ("[landmarks_mm]\nchin = [0, 0, 120]", "landmarks_mm.chin: the point lies 20.0 mm off the surface, more than 5 mm"),
    ("snap_mm = 21\n[landmarks_mm]\nchin = [0, 0, 125]", "lies 25.0 mm off the surface, more than 21 mm"),
    ("snap_mm = 60", "snap_mm: must be at most 50"),
    ("[landmarks_m]\nchin = [0, 0, 0.1]", "landmarks_m: unknown key; did you mean 'landmarks_mm'?"),
    (POINTS + '[[region]]\nname = "a"\nlandmark = "chinn"\nradius_mm = 9',
     "region[1].landmark: there is no landmark 'chinn'; the nearest known are 'chin'"),
    (POINTS + '[[region]]\nname = "a"\nnearest = ["nose"]', "region[1].nearest: there is no landmark 'nose'"),
    (POINTS + '[[region]]\nname = "a"\nlow_mm = [0, 0, 0]\nhigh_mm = [1, 1, 1]', "no face of the scan has its middle"),
    ('[[region]]\nname = "a"\nfaces = [[0, 9]]', "regions list faces without mesh_sha256"),
    ('mesh_sha256 = "x"\n[[region]]\nname = "a"\nfaces = [[0, 99999]]', "[0, 99999] are no faces of a mesh of 5120"),
    ('[[region]]\nname = "a"\nthrough_mm = [0, 0, 0]\ntoward = [0, 0, 0]', "toward is no direction"),
])  # fmt: skip
def test_refusals_in_one_sentence(read, text, sentence):
    with pytest.raises(InputError) as fault:
        name_places(BALL, read(text))
    assert sentence in str(fault.value)
    assert "\n" not in str(fault.value)


def test_a_written_file_gives_the_same_places_again(read, tmp_path):
    named = name_places(BALL, read(POINTS + """
[[region]]
name = "face"
landmark = "chin"
radius_mm = 60
[[region]]
name = 'the "odd" one'
low_mm = [60, -100, -100]
high_mm = [100, 100, 100]
"""))  # fmt: skip
    mesh = tmp_path / "ball.ply"
    mesh.write_bytes(spell_ply(BALL.vertices, BALL.faces, ()))
    body = load_body(mesh, unit="m", up="z")
    places = read(spell_places(named.body, "ball.ply", hash_bytes(mesh.read_bytes()), ("made by hand",)))
    check_mesh(places, mesh)
    again = name_places(body, places).body
    assert again.region_names == named.body.region_names == ("face", 'the "odd" one')
    assert np.array_equal(again.region, named.body.region)
    assert all(np.allclose(again.landmarks[n], p, atol=1e-6) for n, p in named.body.landmarks.items())
    mesh.write_bytes(spell_ply(BALL.vertices * 1.1, BALL.faces, ()))
    with pytest.raises(InputError, match="its regions list the faces of another mesh than"):
        check_mesh(places, mesh)


def test_a_place_may_be_named_by_another_word(read):
    body = name_places(BALL, read(POINTS + '[[region]]\nname = "chin"\nlandmark = "chin"\nradius_mm = 20')).body
    assert find_place("omphalion", body) == "navel"
    assert find_place("mentum", body) == "chin"
    assert find_place("elbow", body) is None
