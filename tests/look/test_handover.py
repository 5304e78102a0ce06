"""What is handed over, read back by OpenColorIO: tables, grades, and the pieces of a config."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import PyOpenColorIO as ocio  # noqa: N813
import pytest

from partsong.film.records import Cdl, Look
from partsong.look.handover import (
    CDL_NAMESPACE,
    BakeError,
    Correction,
    bake,
    bake_error,
    collection_xml,
    config_fragment,
    correction_xml,
    probes,
)
from partsong.render import colour
from partsong.render.cube import write_cube

LOOK = Look(
    config=colour.DEFAULT_CONFIG, display="Rec.1886 Rec.709 - Display", view="ACES 1.0 - SDR Video", contrast=1.2
)
GRADES = [
    Correction("cajon-1", Cdl(slope=(1.2, 1.0, 0.8), offset=(0.02, 0.0, -0.02), power=(1.1, 1.0, 0.9)), "a", "b"),
    Correction("close & <wide>", Cdl(saturation=0.8), "light", "display", "clip.mov"),
]


def test_a_baked_table_is_the_path_at_its_points_and_errs_between_them() -> None:
    path = colour.display_path(LOOK, "ACEScct", None)
    errors = []
    for size in (17, 33, 65):
        table = bake(path, size, title="x")
        step = np.array([[3, 7, 2], [size - 1, 0, 5]], np.float32) / (size - 1)
        np.testing.assert_allclose(table.table[[3, size - 1], [7, 0], [2, 5]], path(step), atol=1e-6)  # float32
        errors.append(bake_error(path, table, probes(5000)))
    assert errors[0].mean > errors[1].mean > errors[2].mean > 0
    assert all(error.worst >= error.p999 > error.mean for error in errors)


def test_the_stated_error_is_what_opencolorio_finds_with_the_file(tmp_path: Path) -> None:
    path = colour.display_path(LOOK, "ACEScct", None)
    table, rgb = bake(path, 17), probes(4000)
    write_cube(tmp_path / "look.cube", table)
    transform = ocio.FileTransform(str(tmp_path / "look.cube"), interpolation=ocio.INTERP_TETRAHEDRAL)
    peer = ocio.Config.CreateRaw().getProcessor(transform).getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)
    found = rgb.copy()
    peer.applyRGB(found)
    worst = 876 * float(np.abs(found - path(rgb)).max())
    # A hundredth of a code: OpenColorIO interpolates in single precision.
    assert bake_error(path, table, rgb).worst == pytest.approx(worst, abs=0.01)


def numbers(found: Any) -> tuple[Any, ...]:
    return tuple(
        np.float32(value) for value in (*found.getSlope(), *found.getOffset(), *found.getPower(), found.getSat())
    )


def expected(cdl: Cdl) -> tuple[Any, ...]:
    return tuple(np.float32(value) for value in (*cdl.slope, *cdl.offset, *cdl.power, cdl.saturation))


def test_opencolorio_reads_the_grades(tmp_path: Path) -> None:
    (tmp_path / "film.ccc").write_text(collection_xml(GRADES, "Boathouse & more"))
    for grade in GRADES:
        found = ocio.CDLTransform.CreateFromFile(str(tmp_path / "film.ccc"), grade.id)
        assert numbers(found) == expected(grade.cdl)
        (tmp_path / "one.cc").write_text(correction_xml(grade))
        ocio.ClearAllCaches()
        assert numbers(ocio.CDLTransform.CreateFromFile(str(tmp_path / "one.cc"), "")) == expected(grade.cdl)


def test_grades_follow_the_published_syntax() -> None:
    # ASC CDL v1.2 (2009): in a ColorCorrection come descriptions, the input's, the viewing's, SOPNode, SATNode.
    root = ElementTree.fromstring(correction_xml(GRADES[1]))
    tags = [child.tag for child in root]
    names = ["Description", "InputDescription", "ViewingDescription", "SOPNode", "SATNode"]
    assert tags == [f"{{{CDL_NAMESPACE}}}{name}" for name in names]
    assert root.attrib == {"id": "close & <wide>"}
    assert [len((child.text or "").split()) for child in root[3]] == [3, 3, 3]


def test_a_config_with_the_pieces_shows_what_the_exact_path_shows(tmp_path: Path) -> None:
    path = colour.display_path(LOOK, "ACEScct", None)
    table = bake(path, 65)
    write_cube(tmp_path / "look.cube", table)
    fragment = config_fragment(
        name='The "Waltz"', reference=colour.reference_space(LOOK.config), camera="ACEScct", table="look.cube",
        size=65, error=BakeError(1.0, 0.5, 0.1),
    )  # fmt: skip
    # A config without displays of its own, into which the pieces go as their comment says.
    own = (
        "ocio_profile_version: 2.1\nroles:\n  scene_linear: light\nsearch_path: .\nfile_rules:\n"
        "  - !<Rule> {name: Default, colorspace: light}\n"
    )
    ap0 = (
        "  - !<ColorSpace> {name: ACES2065-1}\n"
        "  - !<ColorSpace>\n    name: light\n"
        "    from_scene_reference: !<BuiltinTransform> {style: ACEScg_to_ACES2065-1, direction: inverse}\n"
        "  - !<ColorSpace>\n    name: ACEScct\n"
        "    to_scene_reference: !<BuiltinTransform> {style: ACEScct_to_ACES2065-1}\n"
    )
    text = own + fragment.replace("colorspaces:\n", "colorspaces:\n" + ap0, 1)
    (tmp_path / "config.ocio").write_text(text)
    config = ocio.Config.CreateFromFile(str(tmp_path / "config.ocio"))
    config.validate()
    transform = ocio.DisplayViewTransform(src="ACEScct", display='The "Waltz"', view='The "Waltz"')
    peer = config.getProcessor(transform).getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)
    rgb = probes(3000)
    found = rgb.copy()
    peer.applyRGB(found)
    error = bake_error(path, table, rgb)
    away = 876 * np.abs(found - path(rgb)).max(axis=1)
    # As far away as the table itself says. Camera code goes to AP0 light and back in single precision: where light
    # reaches 222, that moves the code by up to 1e-5, which the steepest cells make a few hundredths of a code.
    assert away.max() <= error.worst + 0.1
    assert away.mean() == pytest.approx(error.mean, abs=0.02)
