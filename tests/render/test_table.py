"""The fused table against the exact path that it was made from."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest

import acescct
from partsong.errors import InvalidInput
from partsong.media.planes import Planes
from partsong.render import pixels
from partsong.render.table import apply_table, build_table, kept_table, unpacked

LOG = (10, "bt709", "limited")
EIGHT = (8, "bt709", "limited")


def same(encoded):
    return encoded


def soft_display(encoded):
    """A smooth log-to-display path: light from ACEScct, then a gentle shoulder and a power."""
    light = np.maximum(acescct.to_linear(encoded), 0)
    return (light / (light + 0.8)) ** (1 / 2.4)


def picture(depth, chroma="422", matrix="bt709", value_range="limited", size=(64, 48), seed=0):
    """Random displayable colours in smooth patches, as planes."""
    rng = np.random.default_rng(seed)
    width, height = size
    encoded = (
        np.repeat(np.repeat(rng.random((height // 4, width // 4, 3)), 4, 0), 4, 1) * 0.9
        + rng.random((height, width, 3)) * 0.05
    )
    return pixels.to_planes(
        pixels.encoded_to_codes(encoded, depth, matrix, value_range), chroma, depth, matrix, value_range
    )


def exact(planes, colour, target, chroma):
    encoded = pixels.codes_to_encoded(pixels.full_size(planes), planes.bit_depth, planes.matrix, planes.value_range)
    answer = np.asarray(colour(encoded.reshape(-1, 3)), np.float64).reshape(encoded.shape)
    return pixels.to_planes(pixels.encoded_to_codes(answer, *target), chroma, *target)


@pytest.mark.parametrize("source", [LOG, (10, "bt2020nc", "full"), (8, "bt601", "limited"), (12, "bt709", "full")])
@pytest.mark.parametrize("target", [LOG, EIGHT, (8, "bt709", "full")])
def test_a_change_of_signal_alone_is_exact(source, target):
    # Matrix and range are straight lines, which a lattice holds exactly: what is left is its rounding.
    planes = picture(source[0], matrix=source[1], value_range=source[2])
    found = apply_table(planes, build_table(same, source=source, target=target, size=65))
    expected = exact(planes, same, target, "422")
    for name in ("y", "u", "v"):
        assert np.abs(getattr(found, name).astype(int) - getattr(expected, name)).max() <= 1


@pytest.mark.parametrize("chroma", ["444", "422", "420"])
@pytest.mark.parametrize("size", [(64, 48), (61, 47)])
def test_the_kernel_reads_as_defined(chroma, size):
    planes = picture(10, size=(64, 48))
    planes = Planes(
        planes.y[: size[1], : size[0]],
        planes.u[: size[1], : -(-size[0] // 2)],
        planes.v[: size[1], : -(-size[0] // 2)],
        *LOG,
    )
    table = build_table(soft_display, source=LOG, target=EIGHT, size=65)
    found = apply_table(planes, table, chroma=chroma)
    lattice = unpacked(table.lattice).astype(float).reshape(65, 65, 65, 3) / (1 << table.spare_bits)
    expected = pixels.to_planes(pixels.look_up(lattice, pixels.full_size(planes) / 16), chroma, *EIGHT)
    for name in ("y", "u", "v"):
        # Whole numbers all the way: only an exact half can fall the other way in floating point.
        np.testing.assert_array_equal(getattr(found, name), getattr(expected, name))


def test_the_stated_error_holds_on_another_picture():
    table = build_table(soft_display, source=LOG, target=EIGHT)
    planes = picture(10, chroma="444", size=(256, 192), seed=9)
    found, expected = apply_table(planes, table), exact(planes, soft_display, EIGHT, "444")
    distance = np.abs(
        np.stack([getattr(found, name).astype(int) - getattr(expected, name) for name in ("y", "u", "v")])
    ).max(axis=0)
    # Rounding both to whole codes can add one.
    assert np.percentile(distance, 99) <= table.error.p99 + 1
    assert table.error.mean < table.error.p99 < table.error.worst
    assert build_table(soft_display, source=LOG, target=EIGHT, size=65).error.mean > table.error.mean


def test_a_path_that_breaks_is_refused():
    with pytest.raises(InvalidInput, match="no colour for some camera values"):
        build_table(lambda encoded: np.where(encoded < 0, np.nan, encoded), source=LOG, target=EIGHT)


def test_sizes_that_do_not_divide_the_codes_are_refused():
    for size in (32, 64, 2049):
        with pytest.raises(InvalidInput, match="does not divide"):
            build_table(same, source=LOG, target=EIGHT, size=size)
    with pytest.raises(InvalidInput, match="too coarse"):
        build_table(same, source=(12, "bt709", "full"), target=LOG, size=2)


def test_planes_of_another_kind_are_refused():
    with pytest.raises(InvalidInput, match=r"8-bit bt709 limited range.*10-bit"):
        apply_table(picture(8), build_table(same, source=LOG, target=EIGHT))


def test_a_table_in_a_file_is_the_one_that_was_built_and_is_built_once(tmp_path):
    built = []

    def build():
        built.append(build_table(same, source=LOG, target=EIGHT, size=65))
        return built[-1]

    path = tmp_path / "table" / "key.npz"
    kept = [kept_table(path, build) for _ in range(2)]
    assert len(built) == 1
    found = pickle.loads(pickle.dumps(kept[1])).table
    assert len(pickle.dumps(kept[1])) < 1000
    np.testing.assert_array_equal(found.lattice, built[0].lattice)
    assert replace(found, lattice=None) == replace(built[0], lattice=None)
