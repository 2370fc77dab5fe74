"""Tank profiles from files: strapping tables and closed meshes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from dataset.errors import InputError
from dataset.tanks.lying import LyingCylinder
from dataset.tanks.mesh import cut, read_mesh
from dataset.tanks.profile import Profile, from_json, stack, to_json
from dataset.tanks.strapping import Slices, read_strapping


def saved(mesh: trimesh.Trimesh, tmp_path: Path) -> Profile:
    """A profile of a mesh that has been through an STL file."""
    mesh.export(tmp_path / "tank.stl")
    return stack([read_mesh(tmp_path / "tank.stl")])


def sliced(mesh: trimesh.Trimesh, most: int = 1000) -> Profile:
    """A profile of a mesh without the 32-bit numbers of STL files."""
    z, areas = cut(np.asarray(mesh.vertices, dtype=np.float64), np.asarray(mesh.faces), most)
    return stack([Slices(tuple(z.tolist()), tuple(tuple(row) for row in areas.tolist()))])


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "table.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_strapping_file(tmp_path: Path) -> None:
    """Columns in any order, comments and blank lines; the volumes come back at the table's heights."""
    table = read_strapping(
        write(tmp_path, "# weighed on the bench\nvolume_ml,height_mm\n20,0\n\n400,50\n1000,100\n")
    )
    assert (table.height_mm, table.volume_ml) == ((0, 50, 100), (20, 400, 1000))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "no rows"),
        ("height_mm\n0\n", "line 1: column volume_ml stands there 0 times; expected once"),
        ("height_mm,volume_ml,height_mm\n0,0,0\n", "column height_mm stands there 2 times"),
        (
            "height_mm,volume_ml,what\n0,0,0\n",
            "line 1: column 'what'; expected each once: height_mm, volume_ml",
        ),
        ("# x\nheight_mm,volume_ml\n0,0\n\n10\n", "line 5: 1 cell; expected 2"),
        ("height_mm,volume_ml\n0,0\n10,1O0\n", "line 3, column volume_ml: '1O0'; expected a number"),
        ('height_mm,volume_ml\n0,0\n"10,100\n20,200\n', "line 3: 1 cell; expected 2"),
        ("height_mm,volume_ml\n0,0\nnan,100\n", "line 3, column height_mm: 'nan'; expected a number"),
        (
            "height_mm,volume_ml\n0,0\n10,100\n20,90\n",
            r"table.csv: strapping table: 90 mL after 100 mL, at 20 mm",
        ),
    ],
)
def test_strapping_files_refused(tmp_path: Path, text: str, sentence: str) -> None:
    """What can't be used is named by file, line and column."""
    with pytest.raises(InputError, match=sentence):
        read_strapping(write(tmp_path, text))
    with pytest.raises(InputError, match="cannot be read"):
        read_strapping(tmp_path / "none.csv")
    (tmp_path / "bytes.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="it isn't UTF-8 text"):
        read_strapping(tmp_path / "bytes.csv")


def test_a_box_mesh_is_exact(tmp_path: Path) -> None:
    """A box, wherever it stands in space, has the volume of a box at every level."""
    mesh = trimesh.creation.box((120, 80, 100))
    mesh.apply_translation((1000, -500, 777))
    profile = saved(mesh, tmp_path)
    levels = np.linspace(0, 100, 11)
    assert profile.height_mm == 100
    np.testing.assert_allclose(profile.volume_ml(levels), 9.6 * levels, rtol=1e-12)


def test_a_turned_box_is_exact() -> None:
    """A box standing on its corner: a cube filled to the height of its lowest corners' neighbours, a sixth
    and then half full.

    A plane across a cube's diagonal at a third of it cuts off a corner tetrahedron, a3 / 6; at the middle,
    half.
    """
    turn = trimesh.geometry.align_vectors([1, 1, 1], [0, 0, 1])
    mesh = trimesh.creation.box((60, 60, 60))
    mesh.apply_transform(turn)
    profile = sliced(mesh)
    tall = 60 * np.sqrt(3)
    assert profile.height_mm == pytest.approx(tall, rel=1e-12)
    np.testing.assert_allclose(
        profile.volume_ml(tall * np.array([1 / 6, 1 / 3, 1 / 2, 2 / 3, 1])),
        216 * np.array([1 / 48, 1 / 6, 1 / 2, 5 / 6, 1]),
        rtol=1e-12,
    )
    hexagon = 3 * np.sqrt(3) / 4 * 60**2  # the middle cut of a cube across its diagonal
    assert profile.area_mm2(tall / 2) == pytest.approx(hexagon, rel=1e-12)


def test_cylinder_meshes_converge() -> None:
    """The more faces a lying cylinder's mesh has, the nearer its volumes are to the cylinder's: an error that
    falls with their square.
    """
    levels, exact = np.array([40.0, 100.0, 170.0]), stack([LyingCylinder(200, 300)])
    errors = []
    for faces in (32, 64, 128):
        mesh = trimesh.creation.cylinder(100, 300, sections=faces)
        mesh.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0]))
        errors.append(np.abs(sliced(mesh).volume_ml(levels) / exact.volume_ml(levels) - 1).max())
    assert errors[2] < 1e-3
    assert errors[0] / errors[1] == pytest.approx(4, rel=0.05)
    assert errors[1] / errors[2] == pytest.approx(4, rel=0.05)


@pytest.mark.parametrize(
    "mesh",
    [
        trimesh.creation.torus(40, 10),
        trimesh.creation.annulus(20, 40, 50),
        trimesh.creation.icosphere(3, radius=50.0),
    ],
    ids=["torus", "ring", "ball"],
)
def test_whole_volumes(mesh: trimesh.Trimesh) -> None:
    """A full mesh holds what the divergence theorem (trimesh) says, turned inside out as well, with a hole or
    without.
    """
    profile = sliced(mesh)
    assert profile.total_ml * 1000 == pytest.approx(mesh.volume, rel=1e-12)
    inside_out = mesh.copy()
    inside_out.invert()
    assert sliced(inside_out) == profile


def test_partial_volumes_by_another_way() -> None:
    """Below a level a mesh holds what a fine sum of tetrahedra clipped there does; a cone's mesh: the cube
    law of a pyramid.

    trimesh's cone has its tip up, so the empty part is a pyramid similar to the whole.
    """
    mesh = trimesh.creation.cone(radius=50, height=90, sections=12)
    profile = sliced(mesh)
    levels = np.array([10.0, 45.0, 80.0])
    np.testing.assert_allclose(
        profile.volume_ml(levels), profile.total_ml * (1 - ((90 - levels) / 90) ** 3), rtol=1e-12
    )


def test_joined_slices_keep_volumes() -> None:
    """A mesh with more corner heights than slices keeps its volume at the slices' borders and stays close
    between them.
    """
    mesh = trimesh.creation.icosphere(4, radius=50.0)
    fine, coarse = sliced(mesh), sliced(mesh, 50)
    levels = np.linspace(0, 100, 777)
    section = coarse.sections[0]
    assert isinstance(section, Slices)
    assert len(section.area_mm2) <= 50
    np.testing.assert_allclose(
        coarse.volume_ml(np.array(section.z_mm)), fine.volume_ml(np.array(section.z_mm)), rtol=1e-12
    )
    np.testing.assert_allclose(coarse.volume_ml(levels), fine.volume_ml(levels), atol=1e-4 * fine.total_ml)


def test_joined_slices_over_a_step() -> None:
    """Where the area jumps inside a joined slice the volume is kept at its borders and rises between them.

    Two lids of 1 mm with a narrow neck of 20 mm between them: a quadratic through their areas would have to
    be negative inside.
    """
    parts = [((100, 30, 1), 0.5), ((10, 30, 20), 11.0), ((100, 30, 1), 21.5)]
    boxes = [
        trimesh.creation.box(size, trimesh.transformations.translation_matrix([0, 0, z])) for size, z in parts
    ]
    corners = np.concatenate([b.vertices for b in boxes])
    faces = np.concatenate([np.asarray(b.faces) + 8 * k for k, b in enumerate(boxes)])
    z, areas = cut(corners, faces, 1)
    assert z.tolist() == [0, 22]
    np.testing.assert_allclose(areas, [[(2 * 3000 + 20 * 300) / 22] * 3], rtol=1e-12)


def test_surfaces_inside_are_left_out() -> None:
    """A float chamber inside, its triangles turned inwards, takes its room away at its own heights."""
    outer, inner = trimesh.creation.box((100, 60, 80)), trimesh.creation.box((20, 20, 30))
    inner.invert()
    joined = trimesh.util.concatenate([outer, inner])
    assert isinstance(joined, trimesh.Trimesh)
    profile = sliced(joined)
    np.testing.assert_allclose(profile.area_mm2(np.array([10.0, 40.0, 70.0])), [6000, 5600, 6000], rtol=1e-12)
    assert profile.total_ml == pytest.approx(480 - 12, rel=1e-12)


def test_segments_come_in_portions(monkeypatch: pytest.MonkeyPatch) -> None:
    """However few segments are held at once, the areas are the same."""
    mesh = trimesh.creation.icosphere(2, radius=50.0)
    whole = sliced(mesh)
    monkeypatch.setattr("dataset.tanks.mesh._CUTS", 50)
    (one,), (other,) = whole.sections, sliced(mesh).sections
    assert isinstance(one, Slices)
    assert isinstance(other, Slices)
    np.testing.assert_allclose(other.area_mm2, one.area_mm2, rtol=1e-9, atol=1e-9)


def test_a_mesh_through_json(tmp_path: Path) -> None:
    """The store keeps a mesh's slices with the file's name and hash."""
    profile = saved(trimesh.creation.cone(radius=50, height=90, sections=12), tmp_path)
    section = profile.sections[0]
    assert isinstance(section, Slices)
    assert (section.file, len(section.sha256)) == ("tank.stl", 64)
    assert from_json(to_json(profile)) == profile


def test_meshes_refused(tmp_path: Path) -> None:
    """Open surfaces, mixed windings, other files and files that hold no mesh are refused."""
    mesh = trimesh.creation.box((1, 1, 1))
    mesh.update_faces(np.arange(12) != 5)
    with pytest.raises(InputError, match="the surface isn't closed"):
        saved(mesh, tmp_path)
    turned = trimesh.creation.box((1, 1, 1))
    faces = turned.faces.copy()
    faces[3] = faces[3][::-1]
    with pytest.raises(InputError, match="some triangles face inwards"):
        saved(trimesh.Trimesh(turned.vertices, faces, process=False), tmp_path)
    (tmp_path / "x.obj").write_text("")
    with pytest.raises(InputError, match="a mesh of another kind"):
        read_mesh(tmp_path / "x.obj")
    (tmp_path / "x.stl").write_text("nothing of the kind")
    with pytest.raises(InputError, match=r"x\.stl: cannot be read as STL"):
        read_mesh(tmp_path / "x.stl")
    with pytest.raises(InputError, match="cannot be read"):
        read_mesh(tmp_path / "none.stl")
    with pytest.raises(InputError, match="a flat surface"):
        cut(np.zeros((3, 3)), np.array([[0, 1, 2]]))
