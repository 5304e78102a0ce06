"""The edit in open forms, read back by the public library of the one and the public reader of the other."""

from __future__ import annotations

import warnings
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from partsong.errors import InvalidInput
from partsong.film.records import Film, Flicker, Panel, Shot, Stutter
from partsong.signoff.edit import WideFile, edit_of, reel_names
from partsong.signoff.interchange import edit_list, timeline
from partsong.timebase import Rate, Time

otio = pytest.importorskip("opentimelineio")

URLS = {"cajon-1": "file:///clips/cajon%201.mov", "mix": "file:///song/mix.wav"}
FILES = [WideFile("file:///films/cache/wide.mov", 0, 50), WideFile("file:///films/cache/wide-2.mov", 160, 192)]


def read_list(text: str, rate: float = 24.0) -> Any:
    """Read an edit list with otio-cmx3600-adapter."""
    with warnings.catch_warnings():
        # The plugin system of the library asks for metadata in a way that newer Pythons deprecate.
        warnings.simplefilter("ignore", DeprecationWarning)
        return otio.adapters.read_from_string(text, adapter_name="cmx_3600", rate=rate)


def test_the_timeline_reads_back_with_every_range(film: Film) -> None:
    read = otio.adapters.otio_json.read_from_string(timeline(edit_of(film, URLS, FILES)))
    picture, mix = read.tracks
    assert (picture.kind, mix.kind) == ("Video", "Audio")
    assert [clip.name for clip in picture] == ["wide.mov", "cajon 1.mov", "roam.mov", "bass.mov", "wide-2.mov"]
    # Record positions in frames at 24: the library adds the lengths up itself.
    assert [picture.range_of_child(clip).start_time.rescaled_to(24).value for clip in picture] == [0, 48, 96, 144, 168]
    assert picture.duration().rescaled_to(24).value == 192
    # cajon-1 starts one second before the song at 10:00:00:00, so song frame 48 is its frame 72.
    assert picture[1].source_range.start_time == otio.opentime.RationalTime(864072, 24)
    # roaming-1 at 50 frames a second starts at song second 1; frame 96 is second 4, its second 3.
    assert picture[2].source_range.start_time == otio.opentime.RationalTime(150, 50)
    assert picture[2].media_reference.available_range.duration == otio.opentime.RationalTime(480, 50)
    assert picture[1].media_reference.target_url == URLS["cajon-1"]
    # The second file of the wide begins at song frame 160 and is labelled so.
    assert picture[4].source_range.start_time == otio.opentime.RationalTime(168, 24)
    assert picture[4].media_reference.available_range.start_time == otio.opentime.RationalTime(160, 24)
    assert picture[4].media_reference.available_range.duration == otio.opentime.RationalTime(32, 24)
    assert isinstance(picture[2].media_reference, otio.schema.MissingReference)
    assert mix[0].source_range.duration == otio.opentime.RationalTime(384000, 48000)
    assert read.global_start_time.to_timecode() == "01:00:00:00"


def test_bars_and_sections_are_markers(film: Film) -> None:
    read = otio.adapters.otio_json.read_from_string(timeline(edit_of(film, URLS)))
    marks = [(mark.name, mark.marked_range.start_time.value) for mark in read.tracks[0].markers]
    # A bar of three beats at 90 a minute lasts 2 s: 48 frames.
    assert marks == [("verse (bar 1)", 0), ("bar 2", 48), ("end (bar 3)", 96), ("bar 4", 144)]


def test_a_stutter_is_cuts_and_effects_on_light_are_markers(film: Film) -> None:
    effects = (
        Stutter(start=48, end=60, again=(52, 56)),
        Flicker(start=100, end=124, dips=(100, 116), depth_stops=0.5),
        Stutter(start=176, end=184, again=(180,)),
    )
    edit = edit_of(film.replace(effects=effects), URLS, FILES)
    read = otio.adapters.otio_json.read_from_string(timeline(edit))
    picture = read.tracks[0]
    starts = [picture.range_of_child(clip).start_time.rescaled_to(24).value for clip in picture]
    assert starts == [0, 48, 52, 56, 60, 96, 144, 168, 180, 184]
    # cajon-1 from 10:00:00:00 on: its frame 72 three times, then where it would be; the wide's frames are the song's.
    assert [clip.source_range.start_time.value for clip in picture[1:5]] == [864072, 864072, 864072, 864084]
    assert [clip.source_range.start_time.value for clip in picture[7:10]] == [168, 176, 184]
    assert picture.duration().rescaled_to(24).value == 192
    marks = [mark.name for mark in read.tracks[0].markers if not mark.name.startswith(("bar", "verse", "end"))]
    assert marks == ["stutter, 2 times again", "flicker, 2 dips of 0.5 stops", "stutter, once again"]
    listed = read_list(edit_list(edit))
    (video,) = (track for track in listed.tracks if track.kind == "Video")
    assert [clip.source_range.start_time.to_frames() for clip in video[1:5]] == [864072, 864072, 864072, 864084]


def with_panels(film: Film) -> Film:
    rows = ((Panel(source="cajon-1"), Panel(source="wide", x=0.2)),)
    return film.replace(cut=(film.cut[0], film.cut[1].replace(panels=rows), *film.cut[2:]))


def test_panels_are_tracks_of_their_own(film: Film) -> None:
    read = otio.adapters.otio_json.read_from_string(timeline(edit_of(with_panels(film), URLS, FILES)))
    picture, beside, mix = read.tracks
    assert (beside.kind, mix.kind) == ("Video", "Audio")
    assert [type(child).__name__ for child in beside] == ["Gap", "Clip"]
    assert beside.range_of_child(beside[1]).start_time.rescaled_to(24).value == 48
    assert beside[1].source_range.start_time == otio.opentime.RationalTime(48, 24)
    left, right = (clip.metadata["partsong"]["panel"] for clip in (picture[1], beside[1]))
    assert left == pytest.approx([0, 0, 0.4975, 1])
    assert right == pytest.approx([0.5025, 0, 0.4975, 1])
    assert "* IN A PANEL BESIDE: merged wide" in edit_list(edit_of(with_panels(film), {}))


def test_the_schemas_are_those_of_the_library(film: Film) -> None:
    # The library writes the same document again: nothing was dropped, renamed or of another version.
    text = timeline(edit_of(film, URLS))
    read = otio.adapters.otio_json.read_from_string(text)
    assert otio.adapters.otio_json.read_from_string(read.to_json_string()).is_equivalent_to(read)
    for schema in ("Timeline.1", "Stack.1", "Track.1", "Clip.2", "ExternalReference.1", "Marker.2", "TimeRange.1"):
        assert schema in text
        assert schema in read.to_json_string()


def test_gaps_stay_gaps(film: Film) -> None:
    gappy = film.replace(cut=(film.cut[1], film.cut[3]))
    picture = otio.adapters.otio_json.read_from_string(timeline(edit_of(gappy, URLS))).tracks[0]
    assert [type(child).__name__ for child in picture] == ["Gap", "Clip", "Gap", "Clip"]
    assert [picture.range_of_child(child).start_time.value for child in picture] == [0, 48, 96, 144]


def test_a_clock_that_slips_a_frame_is_a_time_warp(film: Film) -> None:
    # 20000 ppm over 24 frames: 24 / 1.02 = 23.53 of its frames, half a frame less; over 48 it is a whole one.
    placements = tuple(
        entry.replace(drift_ppm=20000.0) if entry.take == "cajon-1" else entry for entry in film.placements
    )
    warped = otio.adapters.otio_json.read_from_string(timeline(edit_of(film.replace(placements=placements), URLS)))
    clips = warped.tracks[0]
    # 1e-12: double precision.
    assert clips[1].effects[0].time_scalar == pytest.approx(1 / 1.02, abs=1e-12)
    assert len(clips[3].effects) == 0  # 60 ppm over a second: nothing to see


def test_the_edit_list_reads_back(film: Film) -> None:
    text = edit_list(edit_of(film, URLS))
    read = read_list(text)  # the library's tracks live as long as their timeline does
    tracks = {track.kind: track for track in read.tracks}
    picture = tracks["Video"]
    assert [clip.metadata["cmx_3600"]["reel"] for clip in picture] == ["WIDE", "CAJON1", "ROAMING1", "BASS1", "WIDE"]
    assert [clip.source_range.duration.value for clip in picture] == [48, 48, 48, 24, 24]
    assert picture[1].source_range.start_time.to_timecode() == "10:00:03:00"
    assert picture[2].source_range.start_time.to_timecode() == "00:00:03:00"
    assert tracks["Audio"][0].source_range.duration.value == 192
    assert "* SOURCE RUNS AT 50 FRAMES A SECOND" in text
    assert "* SOURCE DRIFTS +60.0 PPM, SPEED 99.9940 PERCENT" in text


def test_an_event_in_the_layout_of_st_258(film: Film) -> None:
    # SMPTE ST 258 layout, white space free; the reader above takes it: event, reel, channel, cut, four labels.
    line = next(line for line in edit_list(edit_of(film, URLS)).splitlines() if line.startswith("003"))
    assert " ".join(line.split()) == "003 CAJON1 V C 10:00:03:00 10:00:05:00 01:00:02:00 01:00:04:00"


def test_rates_of_the_1001_family_keep_their_labels(film: Film) -> None:
    rate = Rate.of("24000/1001")
    takes = tuple(take.replace(clip=take.clip.replace(picture=take.picture.replace(rate=rate))) for take in film.takes)
    slow = film.replace(rate=rate, takes=takes, cut=(Shot(source="cajon-1", start=0, end=48),))
    edit = edit_of(slow, URLS)
    read = otio.adapters.otio_json.read_from_string(timeline(edit))
    # The nearest double to the fraction; a rounded 23.98 would be wrong by a frame in 50 s.
    assert read.tracks[0][0].source_range.duration.rate == 24000 / 1001
    listed = read_list(edit_list(edit), 24000 / 1001)
    (clip,) = next(track for track in listed.tracks if track.kind == "Video")
    assert clip.source_range.duration.value == 48


@given(st.lists(st.text(min_size=1, max_size=20), unique=True, max_size=30))
def test_reel_names_fit_and_differ(sources: list[str]) -> None:
    names = list(reel_names(sources).values())
    assert len(set(names)) == len(sources)
    assert all(1 <= len(name) <= 8 and name.isascii() and name.isalnum() and name == name.upper() for name in names)


def test_a_film_without_a_cut_is_refused(film: Film) -> None:
    with pytest.raises(InvalidInput, match="no cut yet"):
        edit_of(film.replace(cut=()), URLS)


def test_a_shot_past_the_end_of_its_take_is_refused(film: Film) -> None:
    # roaming-1 starts at song second 1 and lasts 9.6 s; before that it has no picture.
    with pytest.raises(InvalidInput, match="covers 24 to"):
        edit_of(film.replace(cut=(Shot(source="roaming-1", start=0, end=48),)), URLS)


def test_a_take_that_is_only_asked_about_is_refused(film: Film) -> None:
    placements = tuple(
        entry.replace(confidence="ask", start=Time.of(Fraction(1))) if entry.take == "roaming-1" else entry
        for entry in film.placements
    )
    with pytest.raises(InvalidInput, match="no sure place"):
        edit_of(film.replace(placements=placements), URLS)
