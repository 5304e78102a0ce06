"""The Cube text format and its interpolation, against published values and two reference libraries."""

from __future__ import annotations

import json
import re
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from partsong.errors import InvalidInput
from partsong.render.cube import Cube, apply, read_cube, write_cube

VALUES = json.loads((Path(__file__).parents[1] / "data" / "check-values.json").read_text())["values"]
SMALL = "LUT_3D_SIZE 2\n" + "".join(f"{r} {g} {b}\n" for b in (0, 1) for g in (0, 1) for r in (0, 1))


def rows(prefix: str) -> list[dict[str, Any]]:
    found = [row for row in VALUES if re.fullmatch(prefix, row["id"])]
    assert found, prefix
    return found


def solid_of(corners: dict[str, float]) -> Cube:
    table = np.zeros((2, 2, 2, 3), np.float32)
    for name, value in corners.items():
        red, green, blue = (int(digit) for digit in name[1:])
        table[red, green, blue] = value
    return Cube(table)


@pytest.fixture
def write(tmp_path: Path) -> Any:
    def written(text: str | bytes) -> Path:
        path = tmp_path / "table.cube"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    return written


def random_cube(size: int = 5) -> Cube:
    table = np.random.default_rng(5).uniform(-0.2, 1.3, (size, size, size, 3)).astype(np.float32)
    return Cube(table, (-0.1, 0.0, 0.1), (1.2, 1.0, 0.9), "Colours at random")


# Cube LUT Specification 1.0; values from OpenColorIO 2.6.0 and colour-science 0.4.7.
@pytest.mark.parametrize("row", rows(r"col\.lut\.\d.*_.*"), ids=lambda row: row["id"])
def test_interpolation_agrees_with_reference_libraries(row: dict[str, Any]) -> None:
    cube = solid_of(row["inputs"]["corners"])
    for kind in ("trilinear", "tetrahedral"):
        found = apply(cube, row["inputs"]["rgb"], interpolation=kind)  # type: ignore[arg-type]
        assert found == pytest.approx([row["expected"][kind]] * 3, abs=row["tolerance"])


# Cube LUT Specification 1.0; values from OpenColorIO 2.6.0.
@pytest.mark.parametrize("row", rows(r"col\.lut1d\..*"), ids=lambda row: row["id"])
def test_a_curve_is_linear_in_its_domain_and_held_outside(row: dict[str, Any]) -> None:
    low, high = row["inputs"]["domain"]
    table = np.repeat(np.array(row["inputs"]["table"], np.float32)[:, None], 3, axis=1)
    cube = Cube(table, (low,) * 3, (high,) * 3)
    assert apply(cube, [row["inputs"]["x"]] * 3) == pytest.approx([row["expected"]] * 3, abs=row["tolerance"])


def test_red_changes_fastest(write: Any) -> None:
    # Cube LUT Specification 1.0: the second row is the value at (1, 0, 0), the fifth that at (0, 0, 1).
    cube = read_cube(write("LUT_3D_SIZE 2\n0 0 0\n.1 .2 .3\n0 0 0\n0 0 0\n.4 .5 .6\n0 0 0\n0 0 0\n0 0 0\n"))
    assert apply(cube, (1, 0, 0)) == pytest.approx((0.1, 0.2, 0.3), abs=1e-7)  # float32
    assert apply(cube, (0, 0, 1)) == pytest.approx((0.4, 0.5, 0.6), abs=1e-7)


def test_interpolation_agrees_with_colour_science() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns that plotting is not installed
        import colour

    rng = np.random.default_rng(1)
    cube = Cube(rng.uniform(0, 1, (9, 9, 9, 3)).astype(np.float32))
    rgb = rng.uniform(0, 1, (500, 3))
    peer = colour.LUT3D(cube.table.astype(np.float64))
    # Both compute in float64 from the same float32 entries; 1e-7 is what their different order of sums may leave.
    expected = peer.apply(rgb, interpolator=colour.algebra.table_interpolation_tetrahedral)
    np.testing.assert_allclose(apply(cube, rgb), expected, atol=1e-7)
    expected = peer.apply(rgb, interpolator=colour.algebra.table_interpolation_trilinear)
    np.testing.assert_allclose(apply(cube, rgb, interpolation="trilinear"), expected, atol=1e-7)


@pytest.mark.parametrize("kind", ["solid", "curves"])
def test_colour_science_reads_the_same_numbers_from_a_file(tmp_path: Path, kind: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns that plotting is not installed
        import colour

    cube = random_cube(4)
    if kind == "curves":
        cube = Cube(cube.table[0, 0], cube.domain_min, cube.domain_max, cube.title)
    path = tmp_path / "both.cube"
    write_cube(path, cube)
    theirs, ours = colour.read_LUT(str(path)), read_cube(path)
    # Nine digits are written; it reads them in double precision.
    np.testing.assert_allclose(theirs.table, ours.table, rtol=0, atol=1e-8)
    np.testing.assert_allclose(theirs.domain, (ours.domain_min, ours.domain_max), atol=1e-12)


@pytest.mark.parametrize("kind", ["tetrahedral", "trilinear", "curves"])
def test_opencolorio_reads_what_we_write_and_finds_the_same_colours(tmp_path: Path, kind: str) -> None:
    import PyOpenColorIO as ocio  # noqa: N813

    cube = random_cube()
    if kind == "curves":
        cube = Cube(cube.table[0, 0], (0.0, 0.0, 0.0), (1.0, 1.0, 1.0))
    write_cube(tmp_path / "ours.cube", cube)
    interpolation = {"tetrahedral": ocio.INTERP_TETRAHEDRAL}.get(kind, ocio.INTERP_LINEAR)
    transform = ocio.FileTransform(str(tmp_path / "ours.cube"), interpolation=interpolation)
    peer = ocio.Config.CreateRaw().getProcessor(transform).getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)
    rgb = np.random.default_rng(2).uniform(-0.3, 1.4, (400, 3)).astype(np.float32)
    expected = rgb.copy()
    peer.applyRGB(expected)
    # Its single precision through steep random cells: 1e-5 is 20 units in the last place of values up to 1.3, times
    # the slope of a cell (4 cells across the domain).
    found = apply(cube, rgb, interpolation="trilinear" if kind == "trilinear" else "tetrahedral")
    np.testing.assert_allclose(found, expected, atol=1e-5)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    table=st.one_of(
        hnp.arrays(
            np.float32, st.tuples(st.integers(2, 7), st.just(3)), elements=st.floats(-(2.0**100), 2.0**100, width=32)
        ),
        st.integers(2, 3).flatmap(
            lambda n: hnp.arrays(np.float32, (n, n, n, 3), elements=st.floats(-2, 2, width=32)),
        ),
    ),
    title=st.text(st.characters(blacklist_categories=("C",), blacklist_characters='"\u2028\u2029\x85'), max_size=40),
)
def test_what_is_written_reads_back_the_same(tmp_path: Path, table: Any, title: str) -> None:
    path = tmp_path / "round.cube"
    write_cube(path, Cube(table, (-0.25, 0.0, 0.1), (1.0, 1.5, 1e3), title))
    back = read_cube(path)
    assert np.array_equal(back.table, table)
    assert (back.domain_min, back.domain_max, back.title) == ((-0.25, 0.0, 0.1), (1.0, 1.5, 1e3), title)


@given(rgb=hnp.arrays(np.float64, (20, 3), elements=st.floats(-1, 2)))
def test_an_identity_table_changes_nothing_inside_its_domain(rgb: Any) -> None:
    axis = np.linspace(0, 1, 3, dtype=np.float32)
    cube = Cube(np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1))
    for kind in ("tetrahedral", "trilinear"):
        np.testing.assert_allclose(apply(cube, rgb, interpolation=kind), np.clip(rgb, 0, 1), atol=1e-12)  # type: ignore[arg-type]


def test_a_value_that_is_no_number_counts_as_the_low_end() -> None:
    cube = random_cube()
    assert np.array_equal(apply(cube, [np.nan, 0.5, np.inf]), apply(cube, [-0.1, 0.5, 0.9]))


def test_comments_blank_lines_tabs_and_windows_line_ends_are_fine(write: Any) -> None:
    text = '\ufeff# made by hand\r\nTITLE "Soft é"\r\n\r\n' + SMALL.replace("\n", "\r\n").replace("0 0 1", "0\t0\t1e0")
    assert read_cube(write(text)).title == "Soft é"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "names no table size"),
        ("TITLE Soft\n" + SMALL, "line 1 has a TITLE without its quotation marks"),
        ("LUT_3D_SIZE 2\n0 0 0\n", "ends after 1 rows; a table of size 2 has 8"),
        (SMALL + "1 1 1\n", "line 10 goes on after the 8 rows"),
        (SMALL.replace("1 1 1", "1 1"), "line 9 needs exactly three numbers"),
        (SMALL.replace("1 1 1", "1 1 1 1"), "line 9 needs exactly three numbers"),
        (SMALL.replace("1 1 1", "1 1 nan"), "line 9 holds a number in the table that is not finite"),
        (SMALL.replace("1 1 1", "NaN 1 1"), "line 9 holds NaN"),
        (SMALL.replace("1 1 1", "1 -inf 1"), "line 9 holds a number in the table that is not finite"),
        (SMALL.replace("1 1 1", "1 1 1e39"), r"beyond 3\.4e38"),
        (SMALL.replace("1 1 1", "1_0 1 1"), "line 9 needs exactly three numbers"),
        ("LUT_3D_SIZE 1\n0 0 0\n", "from 2 to 256"),
        ("LUT_3D_SIZE 257\n", "from 2 to 256"),
        ("LUT_3D_SIZE 99999999999999999999\n", "from 2 to 256"),
        ("LUT_3D_SIZE 2.0\n", "whole numbers"),
        ("LUT_1D_SIZE 65537\n", "from 2 to 65536"),
        ("LUT_1D_SIZE 2\n" + SMALL, "line 2 names a second size"),
        ("LUT_3D_SIZE 2\n" + SMALL, "line 2 has LUT_3D_SIZE a second time"),
        ("0 0 0\n" + SMALL, "line 1 should name the size first"),
        ("LUT_1D_SIZE 2\n0 0 0\nDOMAIN_MAX 1 1 1\n1 1 1\n", "line 3 has DOMAIN_MAX after the table began"),
        ("DOMAIN_MIN 0 1 0\n" + SMALL, "the domain of green runs from 1 to 1, which is empty"),
        ("DOMAIN_MAX 1 1\n" + SMALL, "exactly three numbers for DOMAIN_MAX"),
        ("LUT_3D_INPUT_RANGE 0.0 2.0\n" + SMALL, "keyword LUT_3D_INPUT_RANGE"),
        (b"\x00\x01\x02" * 50, "binary data"),
        (b"\x89PNG\r\n\x1a\n" * 5, "no .cube file"),
        (b"TITLE \xff\xfe\n", "bytes that are no text"),
        (b"1" * 5_000_000, "longer than 1024 bytes"),
        ("a poem\n", "neither a keyword nor three numbers"),
        ("\n" * 200_000 + SMALL, "line 100001 is one more of over 100000 blank lines and comments"),
    ],
)
def test_each_fault_gets_one_sentence(write: Any, text: str | bytes, sentence: str) -> None:
    with pytest.raises(InvalidInput, match=sentence) as problem:
        read_cube(write(text))
    assert "\n" not in str(problem.value)
    assert str(problem.value).startswith("table.cube")


def test_a_path_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match=r"none\.cube cannot be read"):
        read_cube(tmp_path / "none.cube")
    with pytest.raises(InvalidInput, match="cannot be read"):
        read_cube(tmp_path)


def test_a_claimed_size_costs_no_memory(write: Any) -> None:
    import tracemalloc

    path = write("LUT_3D_SIZE 256\n0 0 0\n")
    tracemalloc.start()
    with pytest.raises(InvalidInput, match="ends after 1 rows"):
        read_cube(path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 1 << 20  # the table that the file claims would fill 200 MB


@pytest.mark.parametrize("start", ["", "LUT_3D_SIZE 2\n", SMALL, "# a comment\n"])
def test_two_gigabytes_are_refused_at_once_in_little_memory(tmp_path: Path, start: str) -> None:
    import time
    import tracemalloc

    path = tmp_path / "huge.cube"
    with path.open("wb") as file:
        file.write(start.encode())
        file.truncate(2 << 30)  # a hole: no disk is filled
    for size in (2 << 30, 1 << 30):
        with path.open("r+b") as file:
            file.truncate(size)
        tracemalloc.start()
        began = time.process_time()
        with pytest.raises(
            InvalidInput, match=r"no table that the format allows is that large|holds binary|longer than"
        ):
            read_cube(path)
        spent, (_, peak) = time.process_time() - began, tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < 1 << 20
        assert spent < 1  # processor time; reading it through would take minutes


def test_what_is_no_file_is_refused_without_waiting(tmp_path: Path) -> None:
    import os

    os.mkfifo(tmp_path / "pipe.cube")  # opening it would wait for a writer for ever
    with pytest.raises(InvalidInput, match="is no file"):
        read_cube(tmp_path / "pipe.cube")


GOOD = ('TITLE "Soft"\nDOMAIN_MIN 0 0 0\nDOMAIN_MAX 1 1 1\n' + SMALL.replace("0 0 1", "0.0125 0.0311 0.97")).encode()


@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_good_table_spoilt_anywhere_reads_or_is_refused_in_one_sentence(tmp_path: Path, data: st.DataObject) -> None:
    spoilt = bytearray(GOOD)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(spoilt) - 1))
        match data.draw(st.sampled_from(["change", "cut", "double", "insert", "swap"])):
            case "change":
                spoilt[at] = data.draw(st.integers(0, 255))
            case "cut":
                del spoilt[at : at + data.draw(st.integers(1, 60))]
            case "double":
                spoilt[at:at] = spoilt[at : at + data.draw(st.integers(1, 60))]
            case "insert":
                spoilt[at:at] = data.draw(
                    st.sampled_from([b"nan", b"1e999", b"-", b"\n", b"LUT_1D_SIZE 9", b"\0", b"#"])
                )
            case _:
                lines = bytes(spoilt).split(b"\n")
                lines[0], lines[at % len(lines)] = lines[at % len(lines)], lines[0]
                spoilt = bytearray(b"\n".join(lines))
        if not spoilt:
            break
    path = tmp_path / "spoilt.cube"
    path.write_bytes(spoilt)
    told, cube = "", None
    try:
        cube = read_cube(path)
    except InvalidInput as problem:
        told = str(problem)
    if cube is None:
        assert re.fullmatch(r"spoilt\.cube[^\n]+", told)
    else:
        assert np.isfinite(cube.table).all()
        assert np.isfinite(apply(cube, [[0.2, 0.4, 0.9]])).all()


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    junk=st.one_of(
        st.binary(max_size=300),
        st.lists(
            st.sampled_from(
                [
                    "TITLE",
                    '"a"',
                    "LUT_3D_SIZE",
                    "LUT_1D_SIZE",
                    "DOMAIN_MIN",
                    "2",
                    "3",
                    "0 0 0",
                    "1",
                    "nan",
                    "#",
                    "\n",
                    " ",
                ]
            ),
            max_size=40,
        ).map(lambda words: " ".join(words).encode()),
    )
)
def test_whatever_the_file_holds_it_reads_or_is_refused(tmp_path: Path, junk: bytes) -> None:
    path = tmp_path / "junk.cube"
    path.write_bytes(junk)
    try:
        cube = read_cube(path)
    except InvalidInput:
        return
    assert np.isfinite(cube.table).all()


def test_a_title_that_the_format_cannot_hold_is_refused(tmp_path: Path) -> None:
    cube = random_cube(2)
    with pytest.raises(InvalidInput, match="quotation marks"):
        write_cube(tmp_path / "x.cube", Cube(cube.table, title='a "b"'))
    assert list(tmp_path.iterdir()) == []


def test_tables_that_are_no_tables_are_refused() -> None:
    for table in (np.zeros((1, 3)), np.zeros((2, 2, 3, 3)), np.zeros((4, 4)), np.full((2, 3), np.nan)):
        with pytest.raises(InvalidInput):
            Cube(table.astype(np.float32))
    with pytest.raises(InvalidInput, match="last axis"):
        apply(random_cube(2), [0.5, 0.5])
