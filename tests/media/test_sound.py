"""Sound is exact in time and number from any file, rate and start."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

import clips
from partsong.errors import InvalidInput, OutputFailed, UnreadableMedia
from partsong.media.container import picture_stream, reading
from partsong.media.resample import Resampler, new_length
from partsong.media.sound import load_sound, measured, read_sound, write_wav

COMPRESSED = {"aac": "c.m4a", "libmp3lame": "c.mp3", "flac": "c.flac", "libopus": "c.mka", "alac": "c.mov"}


def music(samples: int, rate_hz: int = 48000, channels: int = 1) -> NDArray[np.float32]:
    """Return tones under a slow swell, different in each channel: no stretch is like another."""
    time_s = np.arange(samples) / rate_hz
    columns = [
        0.3 * np.sin(2 * np.pi * (300 + 80 * channel) * time_s + 3 * np.sin(time_s)) * (0.6 + 0.4 * np.sin(5 * time_s))
        for channel in range(channels)
    ]
    return np.stack(columns, axis=1).astype(np.float32)


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_wav_comes_back_to_the_last_bit(bits: int, tmp_path: Path) -> None:
    truth = music(48000, channels=2)
    path = tmp_path / "s.wav"
    write_wav(path, [truth[:20000], truth[20000:]], bits=bits)
    back = load_sound(path)
    assert back.shape == truth.shape
    # Half a step of the code; none at all in floating point.
    assert np.abs(back - truth).max() <= (0 if bits == 32 else 0.5 / 2 ** (bits - 1))


def test_what_is_too_loud_is_held_not_folded(tmp_path: Path) -> None:
    path = tmp_path / "s.wav"
    write_wav(path, [np.array([[1.5], [-1.5], [0.25]], np.float32)], bits=24)
    np.testing.assert_allclose(load_sound(path)[:, 0], [1 - 2**-23, -1.0, 0.25], atol=1e-9)


def test_44100_mono_becomes_48000_in_place(tmp_path: Path) -> None:
    # Known truth: a sine computed at the new rate; 0.3 of full scale.
    # Twelve seconds, so that more than one product of the resampler is at work.
    path = clips.sound_file(tmp_path / "s.wav", music(44100 * 12, 44100), rate_hz=44100)
    new = load_sound(path)
    truth = music(48000 * 12)
    assert new.shape == (576000, 1)
    # Sixteen bits round to 1.5e-5; the sound stops dead at both ends, and the filter rings for 100 samples there.
    assert np.abs(new - truth)[200:-200].max() < 4e-5


@pytest.mark.parametrize(
    ("from_hz", "to_hz"), [(44100, 48000), (48000, 16000), (96000, 48000), (44056, 48000), (8000, 48000)]
)
def test_the_filter_passes_what_fits_and_stops_what_does_not(from_hz: int, to_hz: int) -> None:
    lower = min(from_hz, to_hz)
    resampler = Resampler(from_hz, to_hz)
    lead = np.zeros((resampler.reach, 1), np.float32)

    def carried(hz: float) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
        old = np.sin(2 * np.pi * hz * np.arange(from_hz) / from_hz)[:, None].astype(np.float32)
        new = np.concatenate(list(resampler.run(iter([lead, *np.array_split(old, 7)]), 0)))[:, 0]
        assert len(new) == to_hz
        inner = slice(to_hz // 10, -to_hz // 10)
        return np.sin(2 * np.pi * hz * np.arange(to_hz) / to_hz)[inner], new[inner]

    truth, new = carried(0.45 * lower)
    # Our own design goal: ripple and aliases 96 dB down (1.6e-5); float32 arithmetic adds about 1e-6.
    assert np.abs(new - truth).max() < 3e-5
    if to_hz < from_hz:
        _, aliased = carried(0.51 * lower)
        assert np.abs(aliased).max() < 3e-5


def test_resampling_agrees_with_a_reference_library() -> None:
    # SciPy's polyphase filter with a long Kaiser window of our own passband, as a second opinion.
    from scipy.signal import firwin, resample_poly

    old = music(44100, 44100)
    taps = firwin(160 * 240 + 1, 0.95 / 160, window=("kaiser", 9.6))
    reference = resample_poly(old[:, 0].astype(np.float64), 160, 147, window=taps)
    resampler = Resampler(44100, 48000)
    lead = np.zeros((resampler.reach, 1), np.float32)
    ours = np.concatenate(list(resampler.run(iter([lead, old]), 0)))[:, 0]
    assert len(ours) == len(reference) == 48000
    # Both are 96 dB filters and may differ by that much, except where the sound begins and stops dead: there each rings
    # in its own way, for as long as it reaches.
    assert np.abs(ours - reference)[200:-200].max() < 3e-5


@given(start=st.integers(0, 60000), length=st.integers(1, 30000), block=st.sampled_from([1000, 48000, 4801]))
@example(start=160, length=801, block=1000)  # some processors round by where a row lies in a product
@settings(max_examples=25)
def test_a_stretch_is_that_stretch_of_the_whole(
    start: int, length: int, block: int, resampled_once: tuple[Path, NDArray[np.float32]]
) -> None:
    path, whole = resampled_once
    blocks = list(read_sound(path, start_s=Fraction(start, 48000), stop_s=Fraction(start + length, 48000), block=block))
    assert all(len(piece) == block for piece in blocks[:-1])
    np.testing.assert_array_equal(np.concatenate(blocks), whole[start : start + length])


@pytest.fixture(scope="module")
def resampled_once(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, NDArray[np.float32]]:
    path = clips.sound_file(tmp_path_factory.mktemp("sound") / "s.wav", music(88200, 44100, 2), rate_hz=44100)
    return path, load_sound(path)


@pytest.mark.parametrize("codec", COMPRESSED)
def test_compressed_sound_starts_at_the_sample(codec: str, tmp_path: Path) -> None:
    truth = music(48000 * 3)
    path = clips.sound_file(tmp_path / COMPRESSED[codec], truth, codec=codec)
    whole = load_sound(path)
    # Squared error against the truth, moved by a sample either way: the parabola through it is lowest at the shift.
    inner = truth[4800:-4800, 0].astype(np.float64)
    early, here, late = (np.mean((whole[4800 + by :, 0][: len(inner)] - inner) ** 2) for by in (-1, 0, 1))
    # Coding noise moves the lowest point by a fraction of a sample; a sample of priming left in would move it by one.
    assert abs((early - late) / (2 * (early - 2 * here + late))) < 0.3
    # From the middle: the decoder has had its run-up, so only its own noise may differ.
    part = np.concatenate(list(read_sound(path, start_s=Fraction(100001, 48000), stop_s=Fraction(120000, 48000))))
    assert part.shape == (19999, 1)
    assert np.abs(part - whole[100001:120000]).max() < 0.005
    assert measured(path).samples == len(whole)  # type: ignore[union-attr]


def test_aac_in_mp4_has_exactly_the_length_that_its_edit_list_says(tmp_path: Path) -> None:
    path = clips.clip(tmp_path / "c.mp4", frames=50, sound=music(96000), sound_codec="aac")
    # This muxer counts lengths in thousandths: 2.000 s; the last packet reaches beyond it.
    assert load_sound(path).shape == (96000, 1)


def test_sound_and_picture_share_one_clock(tmp_path: Path) -> None:
    # The sound begins 480 samples after the first frame: silence first, the rest where it belongs.
    truth = music(48000)
    late = load_sound(clips.clip(tmp_path / "late.mov", frames=25, sound=truth, sound_start=480))
    np.testing.assert_array_equal(late[:480], 0)
    np.testing.assert_allclose(late[480:48480], truth, atol=2**-15)
    # The picture begins one second in: sound before it is left out.
    path = clips.clip(tmp_path / "early.mov", frames=25, ticks=range(25, 50), sound=music(96000))
    early = load_sound(path)
    np.testing.assert_allclose(early, music(96000)[48000:], atol=2**-15)


@pytest.mark.parametrize(
    ("name", "muxing"),
    [
        ("edited.mov", {}),
        ("plain.mp4", {"use_editlist": "0"}),
        ("in pieces.mp4", {"movflags": "frag_keyframe+empty_moov"}),
        ("delayed.mp4", {"movflags": "negative_cts_offsets"}),
        ("other.mkv", {}),
    ],
)
@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_where_the_picture_begins_is_known_without_decoding_it(
    name: str, muxing: dict[str, str], codec: str, tmp_path: Path
) -> None:
    """The frames are reordered, so what is decoded first is not what is shown first."""
    sound_codec = "pcm_s16le" if name.endswith("mov") else "aac"
    truth = np.random.default_rng(1).normal(0, 0.1, (48000, 1)).astype(np.float32)
    path = clips.clip(
        tmp_path / name,
        frames=25,
        codec=codec,
        b_frames=3,
        muxing=muxing,
        sound=truth,
        sound_codec=sound_codec,
    )
    starts = []
    for picture in (True, False):
        with reading(path, picture=picture) as container:
            stream = picture_stream(container)
            starts.append(stream.start_time * stream.time_base)
    assert starts[0] == starts[1]
    found = np.correlate(load_sound(path)[:, 0], truth[20000:24000, 0], "valid").argmax()
    assert found == 20000


def test_stereo_and_deeper_codes_keep_their_channels(tmp_path: Path) -> None:
    truth = music(24000, channels=2)
    path = clips.clip(tmp_path / "c.mov", frames=12, sound=truth, sound_codec="pcm_s24le")
    np.testing.assert_allclose(load_sound(path), truth, atol=2**-23)


@given(samples=st.integers(0, 10**7), rates=st.sampled_from([(44100, 48000), (96000, 48000), (44056, 48000)]))
def test_lengths_round_to_the_nearest_sample(samples: int, rates: tuple[int, int]) -> None:
    exact = Fraction(samples * rates[1], rates[0])
    assert abs(new_length(samples, *rates) - exact) <= Fraction(1, 2)


# --- refusals ---------------------------------------------------------------------------------------


def test_a_silent_film_has_no_sound_to_give(tmp_path: Path) -> None:
    path = clips.clip(tmp_path / "c.mov")
    assert measured(path) is None
    with pytest.raises(UnreadableMedia, match="no sound in it"):
        load_sound(path)


def test_a_start_before_the_beginning(tmp_path: Path) -> None:
    path = tmp_path / "s.wav"
    write_wav(path, [music(100)])
    with pytest.raises(InvalidInput, match="Start at 0 or later"):
        read_sound(path, start_s=Fraction(-1))
    assert list(read_sound(path, start_s=Fraction(5))) == []


def test_a_wav_that_is_cut_off_ends_where_it_ends(tmp_path: Path) -> None:
    path = tmp_path / "s.wav"
    write_wav(path, [music(48000 * 4)], bits=16)
    clips.cut_off(path, 0.5)
    with pytest.raises(UnreadableMedia, match="cut off"):
        measured(path)


def test_nothing_and_odd_depths_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match="no sound"):
        write_wav(tmp_path / "s.wav", [])
    with pytest.raises(InvalidInput, match="20 bits"):
        write_wav(tmp_path / "s.wav", [music(10)], bits=20)
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written(tmp_path: Path, small_files: None) -> None:
    path = tmp_path / "s.wav"
    with pytest.raises(OutputFailed, match="could not be written"):
        write_wav(path, [music(480000)])
    assert list(tmp_path.iterdir()) == []
