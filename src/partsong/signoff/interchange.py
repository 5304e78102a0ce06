"""The edit in two open forms: an OpenTimelineIO document and an edit list.

**OpenTimelineIO** carries everything: the picture with its gaps, further panels of shots as tracks of their own, the
mix, bar lines, sections and effects as markers, clocks that drift. Rates become floating-point numbers here and nowhere
else, because the format has no fractions.

**The edit list** (layout of the SMPTE ST 258 family) carries one line of picture and the mix. All its labels count
at the film's rate; a source that runs at another one, or whose clock drifts, is said so in a comment under its event.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from partsong.signoff.edit import Edit, Event
from partsong.timebase import Rate, frame_to_timecode, round_half_up

Json = dict[str, Any]


# --- OpenTimelineIO ---------------------------------------------------------------------------------


def timeline(edit: Edit) -> str:
    """Write an edit as an OpenTimelineIO document.

    References
    ----------
    OpenTimelineIO 0.18, serialized schema: Timeline.1, Stack.1, Track.1, Clip.2, Gap.1, ExternalReference.1,
    MissingReference.1, Marker.2, LinearTimeWarp.1, TimeRange.1, RationalTime.1.
    """
    document = {
        "OTIO_SCHEMA": "Timeline.1",
        "metadata": {},
        "name": edit.title,
        "global_start_time": _time(edit.start_frame, edit.rate),
        "tracks": {
            **_item("Stack.1", "tracks"),
            "children": [
                {
                    **_item("Track.1", "picture", markers=[_marker(edit, number) for number in range(len(edit.marks))]),
                    "kind": "Video",
                    "children": _picture(edit, edit.events),
                },
                *(
                    {**_item("Track.1", f"panel {number}"), "kind": "Video", "children": _picture(edit, events)}
                    for number, events in enumerate(edit.beside, start=2)
                ),
                {**_item("Track.1", "mix"), "kind": "Audio", "children": [_mix(edit)]},
            ],
        },
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def _picture(edit: Edit, events: Sequence[Event]) -> list[Json]:
    children, at = [], 0
    for event in events:
        if event.record_in > at:
            length = _range(_time(0, edit.rate), _time(event.record_in - at, edit.rate))
            children.append({**_item("Gap.1", ""), "source_range": length})
        children.append(_clip(edit, event))
        at = event.record_out
    return children


def _clip(edit: Edit, event: Event) -> Json:
    whole = _range(
        _time(event.source_first, event.source_rate),
        _time(event.source_frames, event.source_rate),
    )
    metadata: Json = {"reel": event.reel, "drift_ppm": event.drift_ppm}
    if event.panel is not None:
        metadata["panel"] = list(event.panel)
    effects = []
    if event.slipped_frames:
        effects.append(
            {
                "OTIO_SCHEMA": "LinearTimeWarp.1",
                "metadata": {},
                "name": "clock of the source",
                "effect_name": "LinearTimeWarp",
                "enabled": True,
                "time_scalar": float(event.speed),
            }
        )
    return {
        **_item("Clip.2", event.name, metadata=metadata, effects=effects),
        # The start counts the source's frames, the length those of the film: both whole numbers.
        "source_range": _range(_time(event.source_in, event.source_rate), _time(event.frames, edit.rate)),
        **_reference(event.name, event.url, whole),
    }


def _mix(edit: Edit) -> Json:
    sound = edit.sound
    rate = Rate(num=sound.rate_hz)
    whole = _range(_time(0, rate), _time(sound.samples, rate))
    return {
        **_item("Clip.2", sound.name, metadata={"reel": sound.reel}),
        "source_range": whole,
        **_reference(sound.name, sound.url, whole),
    }


def _reference(name: str, url: str | None, whole: Json) -> Json:
    kind = "ExternalReference.1" if url else "MissingReference.1"
    reference: Json = {
        "OTIO_SCHEMA": kind,
        "metadata": {},
        "name": name,
        "available_range": whole,
        "available_image_bounds": None,
    }
    if url:
        reference["target_url"] = url
    return {"media_references": {"DEFAULT_MEDIA": reference}, "active_media_reference_key": "DEFAULT_MEDIA"}


def _marker(edit: Edit, number: int) -> Json:
    mark = edit.marks[number]
    return {
        "OTIO_SCHEMA": "Marker.2",
        "metadata": {},
        "name": mark.name,
        "color": "BLACK" if mark.opens_section else "WHITE",
        "marked_range": _range(_time(mark.frame, edit.rate), _time(0, edit.rate)),
        "comment": "",
    }


def _item(schema: str, name: str, *, metadata: Json | None = None, effects: Any = (), markers: Any = ()) -> Json:
    return {
        "OTIO_SCHEMA": schema,
        "metadata": {"partsong": metadata} if metadata else {},
        "name": name,
        "source_range": None,
        "effects": list(effects),
        "markers": list(markers),
        "enabled": True,
        "color": None,
    }


def _time(value: int, rate: Rate) -> Json:
    return {"OTIO_SCHEMA": "RationalTime.1", "rate": rate.num / rate.den, "value": float(value)}


def _range(start: Json, duration: Json) -> Json:
    return {"OTIO_SCHEMA": "TimeRange.1", "duration": duration, "start_time": start}


# --- edit list --------------------------------------------------------------------------------------


def edit_list(edit: Edit) -> str:
    """Write an edit as an edit list.

    Out points are exclusive. Labels of the record side never leave any out (non-drop); a source whose own timecode is
    drop-frame keeps its labels, marked by ``;``.

    References
    ----------
    SMPTE ST 258, layout of events: number, reel, channel, transition, source in and out, record in and out.
    """
    lines = [f"TITLE: {_plain(edit.title)}", "FCM: NON-DROP FRAME", ""]
    sound_frames = round_half_up(Fraction(edit.sound.samples, edit.sound.rate_hz) * edit.rate.exact)
    channels = "A" if edit.sound.channels == 1 else "AA"
    mix = (0, sound_frames, edit.start_frame, edit.start_frame + sound_frames)
    lines += [_event(1, edit.sound.reel, channels, mix, edit.rate), f"* FROM CLIP NAME: {_plain(edit.sound.name)}", ""]
    for number, event in enumerate(edit.events, start=2):
        first = event.source_in
        if event.source_rate != edit.rate:
            first = round_half_up(event.source_in * event.source_rate.frame_s * edit.rate.exact)
        record = edit.start_frame + event.record_in
        places = (first, first + event.frames, record, record + event.frames)
        drop = event.drop and event.source_rate == edit.rate
        lines += [_event(number, event.reel, "V", places, edit.rate, drop=drop)]
        lines += [f"* FROM CLIP NAME: {_plain(event.name)}"]
        lines += [f"* IN A PANEL BESIDE: {_plain(other.name)}" for other in _beside(edit, event)]
        if event.source_rate != edit.rate:
            lines += [f"* SOURCE RUNS AT {event.source_rate} FRAMES A SECOND, ITS LABELS HERE COUNT AT {edit.rate}"]
        if event.drift_ppm:
            lines += [
                f"* SOURCE DRIFTS {event.drift_ppm:+.1f} PPM, SPEED {float(event.speed) * 100:.4f} PERCENT, "
                f"{abs(event.slipped_frames)} FRAMES AT THE END OF THIS EVENT"
            ]
        lines += [""]
    return "\n".join(lines)


def _beside(edit: Edit, event: Event) -> list[Event]:
    return [other for track in edit.beside for other in track if other.record_in == event.record_in]


def _event(
    number: int, reel: str, channel: str, places: tuple[int, int, int, int], rate: Rate, *, drop: bool = False
) -> str:
    source = [frame_to_timecode(frame, rate, drop=drop) for frame in places[:2]]
    record = [frame_to_timecode(frame, rate) for frame in places[2:]]
    return f"{number:03d}  {reel:<8} {channel:<5} C        {' '.join(source + record)}"


def _plain(text: str) -> str:
    # One line of an edit list is one record; what would break it is made a space.
    return " ".join(text.split())
