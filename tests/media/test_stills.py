from __future__ import annotations

import cv2
import numpy as np
import pytest

from partsong.errors import InvalidInput, OutputFailed
from partsong.media.stills import eight_bits, jpeg_of, png_of, png_only, write_jpeg, write_png


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize("shape", [(9, 14, 3), (9, 14)])
def test_png_keeps_every_code(tmp_path, kind, shape):
    picture = np.random.default_rng(1).integers(0, np.iinfo(kind).max, shape, kind, endpoint=True)
    write_png(tmp_path / "a.png", picture)
    read = cv2.imread(str(tmp_path / "a.png"), cv2.IMREAD_UNCHANGED)  # the library's own order is blue first
    assert read.dtype == kind
    assert np.array_equal(read[..., ::-1] if read.ndim == 3 else read, picture)
    small, soon = (png_of(np.repeat(picture, 40, axis=0), compression=n) for n in (9, 1))
    assert len(small) < len(soon)


def test_jpeg_keeps_colours_in_their_order_and_grey_grey(tmp_path):
    picture = np.tile(np.array([200, 120, 40], np.uint8), (32, 48, 1))
    write_jpeg(tmp_path / "a.jpg", picture, quality=95)
    read = cv2.imread(str(tmp_path / "a.jpg"))[..., ::-1]
    assert np.abs(read.astype(int) - picture).max() <= 3
    grey = cv2.imdecode(np.frombuffer(jpeg_of(picture[..., 0], quality=95), np.uint8), cv2.IMREAD_UNCHANGED)
    assert grey.shape == (32, 48)
    assert np.abs(grey.astype(int) - 200).max() <= 1
    noise = np.random.default_rng(2).integers(0, 256, (64, 64, 3), np.uint8)
    assert len(jpeg_of(noise, quality=30)) < len(jpeg_of(noise, quality=90))


def test_codes_are_rounded_and_clipped():
    assert eight_bits(np.array([-0.2, 0.0, 0.5, 1.0, 7.0])).tolist() == [0, 0, 128, 255, 255]


def test_another_suffix_is_refused(tmp_path):
    png_only(tmp_path / "a.PNG")
    with pytest.raises(InvalidInput, match=r"a.tiff should end in .png"):
        png_only(tmp_path / "a.tiff")


def test_what_cannot_be_encoded_leaves_nothing(tmp_path):
    with pytest.raises(OutputFailed, match=r"65536 x 2 could not be encoded as .jpg"):  # the format ends at 65,535
        write_jpeg(tmp_path / "a.jpg", np.zeros((2, 65536, 3), np.uint8), quality=80)
    assert list(tmp_path.iterdir()) == []
