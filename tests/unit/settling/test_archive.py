"""A run and a checkpoint come back from their file bit for bit, and viewers can open the file."""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace

import h5py
import numpy as np
import pytest

from drapesim.ground.outcome import InputError
from drapesim.settling.archive import load_checkpoint, load_run, save_checkpoint, save_run
from tests.unit.made_run import make_checkpoint, make_rest, make_run


def find_difference(a, b, where="run"):
    """The first place where two records differ in type, order or any bit; "" if they are the same."""
    if isinstance(a, np.ndarray):
        same = isinstance(b, np.ndarray) and a.dtype == b.dtype and a.shape == b.shape and a.tobytes() == b.tobytes()
        return "" if same else where
    if is_dataclass(a):
        pairs = [(f"{where}.{field.name}", getattr(a, field.name), getattr(b, field.name)) for field in fields(a)]
        return "" if not pairs else next((d for name, p, q in pairs if (d := find_difference(p, q, name))), "")
    if isinstance(a, Mapping):
        if not isinstance(b, Mapping) or list(a) != list(b):
            return where
        return next((d for key in a if (d := find_difference(a[key], b[key], f"{where}[{key}]"))), "")
    if isinstance(a, tuple):
        if not isinstance(b, tuple) or len(a) != len(b):
            return where
        return next((d for k in range(len(a)) if (d := find_difference(a[k], b[k], f"{where}[{k}]"))), "")
    if type(a) is not type(b):
        return where
    both_nan = isinstance(a, float) and np.isnan(a) and np.isnan(b)
    return "" if both_nan or a == b else where


VARIANTS = {
    "as made": {},
    "nothing optional": {
        "flat_map": None, "marks": (), "verdicts": (), "changes": (), "contact_levels": (),
        "history": np.empty((0, 4)), "seed": 2**40, "layers": None, "meetings": (),
    },
    "no marks meet": {"meetings": ()},
    "settled": {
        "certificate": replace(make_run().certificate, settled=True, stable=True, failures=()),
        "rest": make_rest(make_run().x),
    },
}  # fmt: skip


@pytest.mark.parametrize("variant", VARIANTS)
def test_run_comes_back_bit_for_bit(tmp_path, variant):
    run = make_run(**VARIANTS[variant])
    save_run(tmp_path, run)
    assert [path.name for path in tmp_path.iterdir()] == ["run.h5"]
    for path in (tmp_path, tmp_path / "run.h5"):
        assert find_difference(run, load_run(path)) == ""


def test_the_comparison_sees_one_bit():
    run = make_run()
    x = run.x.copy()
    x[0, 0] = np.nextafter(x[0, 0], np.inf)
    assert find_difference(run, replace(run, x=x)) == "run.x"
    wrong = replace(run.certificate, stable=False)
    assert find_difference(run, replace(run, certificate=wrong)) == "run.certificate.stable"


def test_lattice_of_the_file_gives_the_same_triangles(tmp_path):
    run = make_run()
    loaded = load_run(save_run(tmp_path / "other.h5", run))
    assert np.array_equal(loaded.lattice.triangles, run.lattice.triangles)
    assert np.array_equal(loaded.lattice.uv, run.lattice.uv)


def test_viewers_open_it(tmp_path):
    pyvista = pytest.importorskip("pyvista")
    run = make_run()
    mesh = pyvista.read(save_run(tmp_path, run), force_ext=".vtkhdf")
    assert (mesh.n_points, mesh.n_cells) == (len(run.x), len(run.lattice.triangles))
    assert mesh.points.dtype == np.float64
    assert np.array_equal(mesh.points, run.x)
    assert np.array_equal(mesh.regular_faces, run.lattice.triangles)
    for name, values in run.contact.fields().items():
        assert np.array_equal(mesh.point_data[name], values, equal_nan=True), name
    assert np.array_equal(mesh.point_data["uv"], run.lattice.uv)


def test_every_dataset_states_its_unit(tmp_path):
    seen = {}

    def note(name, thing):
        if isinstance(thing, h5py.Dataset):
            seen[name] = thing.attrs.get("unit")

    with h5py.File(save_run(tmp_path, make_run(rest=make_rest(make_run().x)))) as file:
        file.visititems(note)
        assert file.attrs["complete"]
        assert file["certificate"].attrs["stay_max_m"] == 1e-6
        assert file["certificate"].attrs["penetration_max_m"] == 2e-5
        assert not file["certificate"].attrs["settled"]
    assert [name for name, unit in seen.items() if unit is None] == []
    assert seen["VTKHDF/Points"] == "m"
    assert seen["VTKHDF/PointData/pressure"] == "Pa"
    assert seen["rest/preload"] == "N"
    assert len(seen) > 60


def test_a_fault_while_writing_leaves_the_old_run(tmp_path):
    run = make_run()
    save_run(tmp_path, run)
    broken = replace(run, flat_map=replace(run.flat_map, pixels=np.array([object()])))
    with pytest.raises(TypeError):
        save_run(tmp_path, broken)
    assert [path.name for path in tmp_path.iterdir()] == ["run.h5"]
    assert find_difference(run, load_run(tmp_path)) == ""


def spoil(path, how):
    with h5py.File(path, "a") as file:
        how(file)


@pytest.mark.parametrize(
    ("how", "sentence"),
    [
        (lambda file: file.attrs.pop("layout"), "is not a run"),
        (lambda file: file.attrs.modify("layout", 99), "its layout is 99"),
        (lambda file: file.pop("certificate"), "a part of the run is missing"),
        (lambda file: file.attrs.modify("complete", False), "was not written to its end"),
    ],
)
def test_a_file_that_is_no_run_is_refused(tmp_path, how, sentence):
    spoil(save_run(tmp_path, make_run()), how)
    with pytest.raises(InputError, match=sentence):
        load_run(tmp_path)


def test_missing_and_foreign_files_are_refused(tmp_path):
    with pytest.raises(InputError, match="there is no run file"):
        load_run(tmp_path)
    (tmp_path / "run.h5").write_text("not HDF5")
    with pytest.raises(InputError, match="not a readable HDF5"):
        load_run(tmp_path)


def test_checkpoint_comes_back_and_only_to_its_own_input(tmp_path):
    kept = make_checkpoint()
    save_checkpoint(tmp_path, kept, "abc")
    assert [path.name for path in tmp_path.iterdir()] == ["checkpoint.h5"]
    assert find_difference(kept, load_checkpoint(tmp_path, "abc")) == ""
    with pytest.raises(InputError, match="is of another input"):
        load_checkpoint(tmp_path, "abd")
