"""What is kept of a clip: the same as what is heard in memory, read by the stretch, and no more memory for hours."""

import tracemalloc

import numpy as np
import pytest
import soundfile

from partsong.film.folder import FilmFolder
from partsong.lineup import features, parts
from partsong.lineup.features import ONSET_RATE_HZ, RATE_HZ, TONE_RATE_HZ
from partsong.lineup.hearing import KeepStarts, hear_clip, is_heard
from partsong.media.probe import probe
from partsong.watch import silent

LENGTH_S = 75  # more than the minute by which envelopes are made


@pytest.fixture(scope="module")
def kept(band, tmp_path_factory):
    """Give a folder and a clip of two voices that was heard in it."""
    root = tmp_path_factory.mktemp("day")
    drum = band.filmed(band.part("drum", LENGTH_S), 0, LENGTH_S)
    pad = band.part("pad", LENGTH_S)
    soundfile.write(root / "clip.wav", np.stack([drum, pad[: len(drum)]], axis=1), RATE_HZ, subtype="PCM_24")
    folder = FilmFolder(root / "film")
    clip = probe(root / "clip.wav", folder.refer(root / "clip.wav"))
    assert not is_heard(folder, clip)
    hear_clip(folder, clip, silent())
    return folder, clip


def test_what_is_kept_is_what_is_heard_in_memory(kept):
    folder, clip = kept
    heard = hear_clip(folder, clip, silent())
    at_once = features.hear(np.asarray(heard.samples))

    assert is_heard(folder, clip)
    assert len(heard.voices) == 2
    np.testing.assert_array_equal(heard.weights, at_once.weights)
    for stored, known in zip(heard.voices, at_once.voices, strict=True):
        # The blocks differ, and with them the order of single precision sums: a last bit of half precision at most.
        np.testing.assert_allclose(stored.onsets, known.onsets, atol=2e-3)
        np.testing.assert_allclose(stored.tones, known.tones, atol=1e-2)
        np.testing.assert_array_equal(stored.peaks, known.peaks)
        assert stored.level_db == pytest.approx(known.level_db, abs=0.005)  # steps of a 200th


def test_a_part_is_in_memory_and_the_same(kept):
    heard = hear_clip(*kept, silent()).voices[0]
    part = heard.part(59 * ONSET_RATE_HZ, 62 * ONSET_RATE_HZ)

    assert isinstance(heard.onsets, np.memmap)
    assert not isinstance(part.onsets, np.memmap)
    np.testing.assert_array_equal(part.onsets, heard.onsets[:, 59 * ONSET_RATE_HZ : 62 * ONSET_RATE_HZ])
    np.testing.assert_array_equal(part.tones, heard.tones[:, 59 * TONE_RATE_HZ : 62 * TONE_RATE_HZ])
    assert len(part.peaks) == 0


def test_nothing_but_whole_files_is_left(kept):
    folder, _ = kept
    names = sorted(path.name.partition(".")[2] for path in (folder.root / "cache" / "heard").iterdir())

    assert names == ["f16", "npz", "onsets0.npy", "onsets1.npy", "tones0.npy", "tones1.npy"]


def test_what_was_cleaned_away_is_heard_again(kept):
    folder, clip = kept
    lost = next((folder.root / "cache" / "heard").glob("*.tones1.npy"))
    before = lost.read_bytes()
    lost.unlink()

    assert not is_heard(folder, clip)
    hear_clip(folder, clip, silent())
    assert lost.read_bytes() == before


def test_hearing_for_longer_takes_no_more_memory(rng):
    # Eighty seconds against twenty; levels go nowhere, as they would go to a file.
    second = rng.normal(size=RATE_HZ).astype(np.float32)
    quiet = np.full((2 * 60 * ONSET_RATE_HZ, features.ONSET_BANDS), -8000, np.int16)
    grown = []
    for length_s in (20, 80):
        tracemalloc.start()
        heard = features.listened((second for _ in range(length_s)), len, len)
        for piece in features.onset_pieces(lambda first, stop: quiet[: stop - first], heard):
            assert np.isfinite(piece).all()
        grown.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()

    # 200 bytes a second are the peaks, held twice while they are put together; the levels would be 14 kB a second.
    assert grown[1] - grown[0] < 60 * 2 * 200 + 2**17


def test_what_starts_in_a_clip_is_heard_once(kept, monkeypatch):
    folder, clip = kept
    heard = hear_clip(folder, clip, silent())
    known = parts.starts_in(heard)

    first = KeepStarts(folder, clip)(heard)
    monkeypatch.setattr(parts, "starts_in", lambda _: pytest.fail("It was heard again."))
    again = KeepStarts(folder, clip)(heard)

    assert known.likely.max() > 0.5
    assert len(known.guessed) == 1 + 3 + 4 + 6
    for told in (first, again):
        np.testing.assert_array_equal(told.likely, known.likely)
        np.testing.assert_array_equal(told.guessed, known.guessed)


def test_notes_heard_by_another_network_are_not_those_that_are_kept(kept, monkeypatch):
    folder, clip = kept
    heard = hear_clip(folder, clip, silent())
    KeepStarts(folder, clip)(heard)

    monkeypatch.setattr(parts, "VERSION", parts.VERSION + 1)
    monkeypatch.setattr(parts, "starts_in", lambda _: parts.Starts(np.ones((85, 3)), np.zeros((0, 3))))

    assert KeepStarts(folder, clip)(heard).likely.shape == (85, 3)
