"""The commands of prepare on a real film: files written, sums told, statuses."""

from __future__ import annotations

import json
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from partsong.cli.main import app
from partsong.errors import InvalidInput
from partsong.film import cautions
from partsong.film.records import Section
from partsong.film.store import FilmStore
from partsong.media.ltc import read_ltc, runs
from partsong.prepare import steps
from partsong.prepare.guide import PEAK, click_sound
from partsong.timebase import Rate, timecode_to_frame
from partsong.watch import silent


@pytest.fixture
def film(tmp_path: Path) -> Path:
    (tmp_path / "stems").mkdir()
    for name in ("mix", "stems/cajon", "stems/other"):
        noise = np.random.default_rng(len(name)).normal(0, 0.1, 48000 * 9)
        soundfile.write(tmp_path / f"{name}.wav", noise, 48000)
    words = ["new", tmp_path / "waltz", "--song", tmp_path / "mix.wav", "--bpm", "92", "--beats", "3"]
    words += ["--stem", f"cajón={tmp_path}/stems/cajon.wav", "--stem", f"<b>&co={tmp_path}/stems/other.wav"]
    assert _run(*words, "--title", "Boathouse Waltz")[0] == 0
    return tmp_path / "waltz"


def _run(*words: object) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.output


def test_the_guide_is_written_as_planned(tmp_path: Path, film: Path) -> None:
    out = tmp_path / "guide.wav"
    status, text = _run("prepare", "guide", film, "--out", out, "--json")
    assert status == 0
    told = json.loads(text)
    sound, rate_hz = soundfile.read(out, always_2d=True)
    assert (rate_hz, sound.shape) == (48000, (round(told["length_s"] * 48000), 1))
    assert soundfile.info(out).subtype == "PCM_24"
    # The song's first bar line: its click to 24 bits (half a step is 6e-8, dither up to two steps).
    zero = round(told["song_zero_s"] * 48000)
    click = click_sound("bar")
    np.testing.assert_allclose(sound[zero : zero + len(click), 0], click, atol=4e-7)
    assert np.abs(sound).max() == pytest.approx(PEAK, abs=4e-7)
    assert told["cautions"][0]["source"].startswith("NIOSH Publication 98-126")
    assert "85 dB(A) for 8 hours" in _run("prepare", "guide", film, "--out", out)[1]


def test_timecode_is_printed_on_the_right_so_that_the_song_starts_at_its_label(tmp_path: Path, film: Path) -> None:
    out = tmp_path / "guide.wav"
    words = ("prepare", "guide", film, "--out", out, "--timecode", "01:00:00;00", "--rate", "29.97")
    status, text = _run(*words, "--json")
    assert status == 0
    told = json.loads(text)
    assert (told["timecode"], told["rate"]) == ("01:00:00;00", "30000/1001")
    sound, rate_hz = soundfile.read(out, always_2d=True)
    assert sound.shape == (round(told["length_s"] * 48000), 2)
    _run("prepare", "guide", film, "--out", tmp_path / "mono.wav")
    np.testing.assert_array_equal(sound[:, 0], soundfile.read(tmp_path / "mono.wav")[0])

    (run,) = runs(read_ltc([sound[:, 1]], rate_hz))
    rate, frames, samples = run.frames(rate_hz)
    assert rate == Rate.of("30000/1001")
    hour = timecode_to_frame("01:00:00;00", rate)
    # A tenth of a sample: how well the reader places a word.
    assert samples[list(frames).index(hour)] == pytest.approx(told["song_zero_s"] * 48000, abs=0.1)
    assert len(frames) >= told["length_s"] * 29.97 - 3  # from end to end

    plain = _run(*words)[1]
    assert "never to headphones" in plain
    assert "85 dB(A) for 8 hours" in plain
    assert "--song-timecode" in plain


def test_timecode_without_a_usable_rate_is_refused(tmp_path: Path, film: Path) -> None:
    with FilmStore.open(film) as store:
        document = store.head().film
    for rate, words in ((None, "no frame rate yet"), (Rate.of(50), "24, 25 or 30")):
        with pytest.raises(InvalidInput, match=words):
            steps.make_guide(document, tmp_path / "guide.wav", silent(), timecode="01:00:00:00", rate=rate)
    assert not list(tmp_path.glob("*guide*"))


def test_a_guide_that_cannot_be_is_refused_and_leaves_nothing(tmp_path: Path, film: Path) -> None:
    with FilmStore.open(film) as store:
        document = store.head().film
    with pytest.raises(InvalidInput, match=r"does not end in \.wav"):
        steps.make_guide(document, tmp_path / "guide.mp3", silent())
    with pytest.raises(InvalidInput, match="no song yet"):
        steps.make_guide(document.replace(song=None), tmp_path / "guide.wav", silent())
    assert not list(tmp_path.glob("*guide*"))


class _Page(HTMLParser):
    """Everything a page would fetch, and its text."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.tags: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.fetched += [value or "" for name, value in attrs if name in ("src", "href", "data", "srcset")]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_sheet_stands_alone_and_says_it_all(tmp_path: Path, film: Path) -> None:
    with FilmStore.open(film) as store:
        assert store.head().film.song is not None
        store.change(
            "Named sections",
            lambda old: old.replace(song=old.song.replace(sections=(Section(name="Verse", bar=3),))),  # type: ignore[union-attr]
        )
    out = tmp_path / "sheet.html"
    status, _ = _run("prepare", "sheet", film, "--out", out, "--rate-mbit", "400", "--card-gb", "128")
    assert status == 0
    page = _Page()
    page.feed(out.read_text(encoding="utf-8"))
    assert page.fetched == []
    assert "url(" not in page.text
    assert not {"script", "link", "img", "b"} & set(page.tags)
    for words in (
        "Boathouse Waltz: 00:09.00 long, 5 bars. 92 beats a minute, 3 to the bar",
        "cajón",
        "<b>&co: 4 stage takes",  # names are text, never markup
        "09:00",
        "Cards needed: 1",
        cautions.LOCAL_RULES,
    ):
        assert words in page.text
    # Bar 3 of a waltz at 92: 2 x 3 x 60 / 92 = 3.91 s.
    assert "Verse" in page.text
    assert "00:03.91" in page.text
    for caution in cautions.CAUTIONS:
        assert caution.title in page.text
        assert caution.source in page.text


def test_a_day_that_does_not_fit_needs_a_decision(film: Path) -> None:
    status, text = _run("prepare", "day", film)
    assert status == 0
    assert "It fits" in text
    status, text = _run("prepare", "day", film, "--end", "11:00")
    assert status == 1
    assert "It does not fit" in text
    status, text = _run("prepare", "day", film, "--setup", "cajon=window", "--setup", "b-co=window", "--json")
    assert sum(entry["work"] == "set-up" for entry in json.loads(text)["entries"]) == 1
    with pytest.raises(InvalidInput, match="Write it as PART=NAME"):
        _run("prepare", "day", film, "--setup", "cajon")


def test_cards_lens_and_light_are_summed() -> None:
    # 400 Mbit/s for 240 s is 12 GB (rate x time / 8).
    _, text = _run("prepare", "cards", "--rate-mbit", "400", "--minutes", "4", "--takes", "10", "--json")
    assert json.loads(text)["take_gb"] == 12.0
    assert (
        "120.0 GB; with 2 further copies: 360.0 GB"
        in _run("prepare", "cards", "--rate-mbit", "400", "--minutes", "4", "--takes", "10")[1]
    )
    with pytest.raises(InvalidInput, match="data rate must be above zero; it is -4"):
        _run("prepare", "cards", "--rate-mbit=-4", "--minutes", "4", "--takes", "10")
    # 24 mm on 36 mm: 73.74 degrees, 4.5 m at 3 m; at f/4 sharp from 1.8519 m to 7.8947 m (thin-lens geometry).
    _, text = _run("prepare", "lens", "--focal-mm", "24", "--sensor-mm", "36", "--distance-m", "3", "--f-number", "4")
    assert "73.7 degrees" in text
    assert "4.50 m wide" in text
    assert "from 1.85 m to 7.89 m" in text
    # NFPA 70, 210.20(A): 16 A of a 20 A breaker.
    lamps = ["prepare", "light", "--volts", "120", "--breaker-a", "20", "--watts", "1000", "--watts"]
    assert _run(*lamps, "920")[0] == 0
    status, text = _run(*lamps, "1000")
    assert status == 1
    assert "16.67 A of the 16 A" in text
    assert cautions.LOCAL_RULES in text


def test_a_lens_beyond_its_hyperfocal_distance_has_a_form_in_json() -> None:
    _, text = _run("prepare", "lens", "--focal-mm", "16", "--distance-m", "5", "--f-number", "2.8", "--json")
    assert json.loads(text)["sharp"]["far_m"] is None


def test_stage_and_light_are_planned_and_drawn(tmp_path: Path, film: Path) -> None:
    assert _run("prepare", "camera", film, "--focal-mm", "18", "--height-m", "1.4")[0] == 0
    words = ["--left-m", "4", "--right-m", "4", "--back-m", "7", "--height-m", "3", "--ambient-lux", "20"]
    assert _run("prepare", "room", film, *words)[0] == 0
    assert "No spot is planned yet" in _run("prepare", "plan", film)[1]
    status, text = _run("prepare", "spot", film, "cajon", "--x-m", "-1", "--y-m", "4")
    assert (status, "! " in text) == (0, False)
    lamp = ["--for", "cajon", "--x-m", "-1.5", "--y-m", "3", "--height-m", "2.2", "--candela", "3000"]
    assert "! The lamp key stands in the picture" in _run("prepare", "lamp", film, "key", *lamp)[1]
    page = tmp_path / "plan.html"
    status, text = _run("prepare", "plan", film, "--out", page)
    assert (status, "Wrote" in text) == (1, True)  # the lamp needs a decision
    told = page.read_text(encoding="utf-8")
    assert told.count("<svg") == 2
    assert "Lights overhead" in told
    assert "The lamp key stands in the picture" in told
    sheet = tmp_path / "sheet.html"
    assert _run("prepare", "sheet", film, "--out", sheet)[0] == 0
    assert "-1.00, 4.00" in sheet.read_text(encoding="utf-8")
    assert _run("prepare", "lamp", film, "key", "--hangs", "--height-m", "4.5")[0] == 0
    status, text = _run("prepare", "plan", film, "--json")
    assert status == 1  # now it hangs above the ceiling
    assert json.loads(text)["plan"]["lamps"][0]["hangs"] is True
    assert _run("prepare", "lamp", film, "key", "--remove")[0] == 0
    assert _run("prepare", "spot", film, "cajon", "--remove")[0] == 0
    assert "No spot is planned yet" in _run("prepare", "plan", film)[1]
