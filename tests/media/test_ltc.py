"""Linear timecode: its words bit for bit, its sound, and reading it under everything that happens to it."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.film.records import Timecode
from partsong.media import ltc_words
from partsong.media.ltc import carries_ltc, read_ltc, runs
from partsong.media.ltc_words import Printed, even, read_word, word_bits, word_of
from partsong.timebase import Rate, frame_to_timecode, timecode_to_frame

RATE_HZ = 48000
RATES = {
    "24 non-drop": ("24", False),
    "23.976": ("24000/1001", False),
    "25": ("25", False),
    "29.97 drop-frame": ("30000/1001", True),
    "30 non-drop": ("30", False),
}


def printed(label="00:00:58:00", rate="25", *, drop=False, rate_hz=RATE_HZ, at=Fraction(1500), **more):
    rate = Rate.of(rate)
    return Printed(Timecode(frame=timecode_to_frame(label, rate, drop=drop), drop=drop), rate, at, rate_hz, **more)


def read(sound, rate_hz=RATE_HZ, block=5000):
    return list(read_ltc((sound[at : at + block] for at in range(0, len(sound), block)), rate_hz))


def hexed(bits):
    return np.packbits(bits, bitorder="little").tobytes().hex()


# --- words --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["zero30", "a25", "a24", "df", "max30"])
def test_words_are_those_of_the_standard(check_value, name):
    # SMPTE ST 12-1:2014, as a general-purpose library of timecode writes them.
    row = check_value(f"ltc.word.{name}")
    text, drop = RATES[{"24": "24 non-drop"}.get(row["inputs"]["rate"], row["inputs"]["rate"])]
    rate = Rate.of(text)
    word = word_of(timecode_to_frame(row["inputs"]["label"], rate), rate, drop=drop)

    bits = word_bits(word, rate.nominal)

    assert "".join(map(str, bits)) == row["expected"]["bits"].replace(" ", "")
    assert hexed(bits) == row["expected"]["hex"]
    assert read_word(bits) == word
    assert word.label == row["inputs"]["label"]


def test_sync_length_and_tone_are_those_of_the_standard(check_value):
    assert "".join(map(str, ltc_words.SYNC)) == check_value("ltc.sync")["expected"]
    bits, at_30, at_24 = check_value("ltc.bits")["expected"]
    assert bits == ltc_words.WORD_BITS
    assert (30 * bits, 24 * bits) == (at_30, at_24)
    # Zeros change once a bit: a tone of half the bit rate, which bits 28 to 58 of midnight are long enough to show.
    zeros_hz, _ = check_value("ltc.biphase")["expected"]
    word = printed("00:00:00:00", "30", at=Fraction(0)).block(28 * 20, 31 * 20)  # 20 samples a bit
    spectrum = np.abs(np.fft.rfft(word * np.hanning(len(word)), 48000))
    assert np.argmax(spectrum) == pytest.approx(zeros_hz, abs=2)  # one transform bin is 1 Hz; the stretch is short


@given(st.sampled_from(list(RATES.values())), st.integers(0, 2_000_000), st.binary(min_size=4, max_size=4))
def test_every_word_says_what_was_put_in_and_is_even(check_value, rate_and_drop, frame, user):
    rate, drop = Rate.of(rate_and_drop[0]), rate_and_drop[1]
    word = word_of(frame, rate, drop=drop, user=user)
    bits = word_bits(word, rate.nominal)

    assert check_value("ltc.polarity")["expected"] == "even"
    assert np.count_nonzero(bits == 0) % 2 == 0
    assert even(bits)
    assert read_word(bits) == word
    assert word.user == user
    day = timecode_to_frame(f"23:59:59:{rate.nominal - 1}", rate, drop=drop) + 1
    assert word.label == frame_to_timecode(frame % day, rate, drop=drop)


def test_bits_that_are_no_word_are_refused():
    bits = word_bits(word_of(0, Rate.of(25)), 25)
    for first, length in ((0, 4), (24, 3), (40, 3), (48, 4), (64, 1)):
        broken = bits.copy()
        broken[first : first + length] ^= 1  # digits of 15, seventies, a sync word that is not one
        assert read_word(broken) is None
    with pytest.raises(InvalidInput, match="24, 25 or 30"):
        word_of(0, Rate.of(50))
    with pytest.raises(InvalidInput, match="4 bytes, not 3"):
        word_of(0, Rate.of(25), user=b"abc")


# --- sound --------------------------------------------------------------------------------------


def test_printed_timecode_is_the_same_in_any_blocks_and_keeps_its_level():
    code = printed(at=Fraction(100001, 7))
    whole = code.block(0, 30000)
    np.testing.assert_array_equal(whole[777:2000], code.block(777, 1223))
    assert np.abs(whole).max() == pytest.approx(10 ** (-12 / 20), abs=1e-6)  # single precision


def test_edges_rise_in_forty_microseconds():
    # SMPTE ST 12-1 (from memory): 40 us from a tenth to nine tenths, +-10 us.
    fine = 4_800_000
    edge = printed("00:00:00:00", "25", rate_hz=fine, at=Fraction(1000), peak=1.0).block(0, 2000)
    rising = np.flatnonzero((edge > -0.8) & (edge < 0.8))
    assert len(rising) / fine == pytest.approx(40e-6, abs=1e-6)
    assert np.mean(rising) == pytest.approx(1000, abs=1)  # centred where the frame begins


@pytest.mark.parametrize("rate_hz", [16000, 44100, 48000, 96000])
@pytest.mark.parametrize("name", RATES)
def test_labels_come_back_where_they_were_printed(name, rate_hz):
    rate, drop = RATES[name]
    user = b"\x12\x34\x56\x78"
    code = printed(rate=rate, drop=drop, rate_hz=rate_hz, at=Fraction(12345678, 1000), user=user)
    labels = read(code.block(0, 5 * rate_hz), rate_hz)

    length = float(rate_hz * code.rate.frame_s)
    first = -int(float(code.at) // length)
    whole = int((5 * rate_hz - float(code.at)) // length) - first
    assert whole - 1 <= len(labels) <= whole  # a word that ends with the sound to the sample may be left out
    (run,) = runs(labels)
    found_rate, frames, samples = run.frames(rate_hz)
    assert found_rate == code.rate
    # A tenth of a sample, or 2 us: the sync word is placed by a parabola over the peak of its match, and the first
    # word's filter begins in silence.
    np.testing.assert_allclose(
        samples, float(code.at) + (frames - code.zero.frame) * length, atol=max(0.1, 2e-6 * rate_hz)
    )
    assert all(label.parity_ok and label.word.user == user and label.word.drop == drop for label in labels)
    assert run.good == len(labels)
    assert min(label.margin for label in labels) > 0.4
    # Over the minute of 00:01:00 the drop-frame labels leave two out and still follow.
    assert labels[-1].word.label > "00:01:00"


def wowed(code, length, hertz, depth=0.01):
    t = np.arange(length) / RATE_HZ
    at = RATE_HZ * (t + depth / (2 * np.pi * hertz) * np.sin(2 * np.pi * hertz * t))
    return np.interp(at, np.arange(length + RATE_HZ), code.block(0, length + RATE_HZ))


@pytest.mark.parametrize("rate", ["24", "25", "30"])
@pytest.mark.parametrize("hertz", [0.5, 2.0, 4.0])  # wow: what is slower is drift, what is faster is flutter
def test_a_wow_of_one_per_cent_costs_no_word(rate, hertz):
    labels = read(wowed(printed(rate=rate), 6 * RATE_HZ, hertz))
    assert len(labels) >= 6 * int(rate) - 3
    assert len(runs(labels)) == 1
    assert all(label.parity_ok for label in labels)


def levels(sound, rng):
    gain_db = np.interp(
        np.arange(len(sound)), np.arange(0, len(sound) + 1, 4800), rng.uniform(-50, 0, len(sound) // 4800 + 1)
    )
    return sound * 10 ** (gain_db / 20)


HARM = {
    "level that moves by 50 dB": levels,
    "80 dB down, in 16 bits": lambda sound, rng: np.round(sound * 1e-4 * 32768) / 32768,
    "clipped square": lambda sound, rng: np.sign(sound),
    "upside down": lambda sound, rng: -sound,
    "an offset": lambda sound, rng: 0.1 * sound + 0.8,
    "hum six decibels louder": lambda sound, rng: sound + np.sin(2 * np.pi * 50 * np.arange(len(sound)) / RATE_HZ),
    "noise 6 dB below": lambda sound, rng: sound + 0.5 * np.std(sound) * rng.normal(size=len(sound)),
    "samples that are no numbers": lambda sound, rng: np.where(np.arange(len(sound)) % 997 == 0, np.nan, sound),
}


@pytest.mark.parametrize("harm", HARM)
def test_what_cables_and_level_controls_do_costs_no_word(harm):
    sound = printed(peak=0.5).block(0, 6 * RATE_HZ).astype(float)
    labels = read(HARM[harm](sound, np.random.default_rng(5)))
    assert len(labels) >= 6 * 25 - 2
    assert len(runs(labels)) == 1
    assert all(label.parity_ok for label in labels)


def test_a_break_is_told():
    one, other = (printed(label, at=Fraction(0)).block(0, 2 * RATE_HZ) for label in ("01:00:00:00", "02:00:00:00"))
    parts = runs(read(np.concatenate([one, other])))
    assert [part.labels[0].word.label[:5] for part in parts] == ["01:00", "02:00"]
    # The same labels, but half a frame of sound is missing: they count on and yet do not follow.
    cut = np.concatenate([one[:RATE_HZ], one[RATE_HZ + 960 :]])
    assert len(runs(read(cut))) == 2
    # A gap.
    gap = np.concatenate([one[:RATE_HZ], np.zeros(RATE_HZ, np.float32), one[RATE_HZ:]])
    assert len(runs(read(gap))) == 2


def test_a_run_goes_on_over_midnight():
    (run,) = runs(read(printed("23:59:59:00").block(0, 3 * RATE_HZ)))
    _, frames, _ = run.frames(RATE_HZ)
    assert list(np.unique(np.diff(frames))) == [1]
    assert run.labels[-1].word.hours == 0


def test_backwards_is_read_from_reversed_samples():
    sound = printed().block(0, 3 * RATE_HZ)
    assert read(sound[::-1]) == []
    assert len(read(sound[::-1][::-1])) >= 73


@pytest.mark.parametrize("kind", ["noise", "hum", "square", "silence", "steps", "short"])
def test_what_is_no_timecode_gives_none(kind):
    rng = np.random.default_rng(3)
    t = np.arange(10 * RATE_HZ) / RATE_HZ
    sound = {
        "noise": lambda: rng.normal(size=len(t)),
        "hum": lambda: np.sin(2 * np.pi * 100 * t),
        "square": lambda: np.sign(np.sin(2 * np.pi * 1200 * t)),
        "silence": lambda: np.zeros(len(t)),
        "steps": lambda: np.repeat(rng.choice([-1.0, 1.0], len(t) // 12), 12),  # random halves of bits
        "short": lambda: printed().block(0, 900),
    }[kind]()
    assert read(sound) == []
    assert not carries_ltc(sound, RATE_HZ)


def test_a_channel_that_carries_it_is_told_from_a_few_looks():
    sound = np.zeros(12 * 16000, np.float32)
    assert not carries_ltc(sound, 16000)
    sound[5 * 16000 :] = printed(rate_hz=16000).block(0, 7 * 16000)
    assert carries_ltc(sound, 16000)


def test_sound_that_cannot_hold_it_is_refused():
    with pytest.raises(InvalidInput, match="at 8000 Hz"):
        list(read_ltc([np.zeros(100)], 8000))
    with pytest.raises(InvalidInput, match="one channel"):
        list(read_ltc([np.zeros((100, 2))], RATE_HZ))


@settings(max_examples=6)
@given(st.lists(st.integers(1, 9000), min_size=1, max_size=40))
def test_blocks_of_any_length_give_the_same(lengths):
    sound = printed().block(0, 5 * RATE_HZ)
    cuts = np.cumsum(lengths)
    pieces = np.split(sound, cuts[cuts < len(sound)])
    in_pieces, at_once = list(read_ltc(pieces, RATE_HZ)), read(sound, block=len(sound))
    assert [label.word for label in in_pieces] == [label.word for label in at_once]
    # At the ends of a stretch the filter meets silence and a word borrows its neighbour's length.
    np.testing.assert_allclose([label.sample for label in in_pieces], [label.sample for label in at_once], atol=0.05)
